"""Reads what a card, its file systems and the kernel report about the card's health.

SD cards have no wear counters: they report maker and date only, and there are the errors that the
kernel met. eMMC has wear counters. Everything here only reads; nothing is asked of a card that
would make it work.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import layout, readiness
from holdstill.errors import VerificationError
from holdstill.filesystems.ext4 import ext4_superblock
from holdstill.model.layout import Ext4

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.filesystems.ext4.ext4_superblock import ErrorLog
    from holdstill.system.process import Runner

from holdstill.board.health_report import CARD_FIELDS, Health, assess, errors_of

SYS = Path("/sys")


def read_health(board: BoardLayout, machine: Runner) -> Health:
    """Read card, file systems, kernel and firmware; what does not answer is left out.

    Of several disks, the card is that of the root; the kernel's complaints are of all of them.
    """
    place = SYS / "block" / board.root_device.name / "device"
    texts = {name: _line(place / name) for name in (*CARD_FIELDS, "life_time", "pre_eol_info")}
    hosts = readiness.hosts_of_cards()
    names = [rf"\b{re.escape(device.name)}(?:p?\d+)?\b" for device in board.devices]
    names += [rf"^{re.escape(hosts[d.name])}:" for d in board.devices if hosts.get(d.name)]
    name = re.compile("|".join(names))
    return assess(
        texts,
        file_systems=tuple(errors_of(part, log) for part, log in _logs(board)),
        kernel_errors=tuple(m for m in readiness.card_errors(0.0) if name.search(m)),
        power=readiness.power(machine),
    )


def _logs(board: BoardLayout) -> Iterator[tuple[BoardPart, ErrorLog]]:
    for part in board.parts:
        if isinstance(part.file_system, Ext4):
            try:
                yield part, _error_log(part, board)
            except (VerificationError, EOFError, OSError):
                continue  # the layout has reported it


def _error_log(part: BoardPart, board: BoardLayout) -> ErrorLog:
    # Of the partition's own device, which shows what the kernel holds in memory; what it has noted
    # just now reaches the disk's device only when the journal is written back.
    with layout.opened_part(board, part) as source:
        return ext4_superblock.read(source).error_log


def _line(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""
