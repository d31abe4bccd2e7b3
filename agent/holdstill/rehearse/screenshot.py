"""Take a picture of an emulated screen, through QEMU's machine protocol (QMP).

Source: QEMU documentation, "QEMU Machine Protocol Specification" and "QEMU QMP Reference
Manual", screendump.
"""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    from collections.abc import Mapping
    from io import BufferedRWPair
    from pathlib import Path

SECONDS = 15.0
"""Time that the emulator may take to answer."""


class QmpReply(msgspec.Struct, frozen=True):
    """One line from the emulator: an answer, a refusal, an event or its greeting."""

    error: dict[str, object] | None = None
    result: dict[str, object] | None = msgspec.field(name="return", default=None)


def photograph(control: Path, picture: Path) -> bool:
    """Have the emulator write a PNG of its screen; return whether it did.

    A picture is an extra: an emulator that has ended, or has no screen, is no failure.
    """
    dump = {"filename": str(picture), "format": "png"}
    try:
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(SECONDS)
            line.connect(str(control))
            with line.makefile("rwb") as wire:
                return _ask(wire, "qmp_capabilities", {}) and _ask(wire, "screendump", dump)
    except OSError:
        return False


def _ask(wire: BufferedRWPair, command: str, arguments: Mapping[str, str]) -> bool:
    """Send one command; return whether it succeeded. The greeting and events are skipped."""
    wire.write(msgspec.json.encode({"execute": command, "arguments": arguments}) + b"\n")
    wire.flush()
    for line in wire:
        answer = msgspec.json.decode(line, type=QmpReply)
        if answer.error is not None or answer.result is not None:
            return answer.error is None
    return False
