"""Asking an emulator for a picture.

The exchange is that of the QEMU documentation, "QEMU Machine Protocol Specification", section
"Examples": a greeting, the negotiation, then commands; events may come at any time.
"""

from __future__ import annotations

import json
import socket
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.rehearse import screenshot

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

GREETING = {"QMP": {"version": {"qemu": {"micro": 0, "minor": 2, "major": 7}}, "capabilities": []}}
EVENT = {"timestamp": {"seconds": 1, "microseconds": 2}, "event": "RESUME"}
DONE: dict[str, object] = {"return": {}}
REFUSED: dict[str, object] = {"error": {"class": "GenericError", "desc": "no console"}}


@contextmanager
def emulator(control: Path, *answers: dict[str, object]) -> Iterator[list[dict[str, object]]]:
    """Answer as an emulator does; give what it was asked."""
    asked: list[dict[str, object]] = []
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(control))
        server.listen()
        thread = threading.Thread(target=serve, args=(server, answers, asked))
        thread.start()
        yield asked
        thread.join(timeout=10)


def serve(
    server: socket.socket,
    answers: tuple[dict[str, object], ...],
    asked: list[dict[str, object]],
) -> None:
    line, _ = server.accept()
    with line, line.makefile("rwb") as wire:
        wire.write(json.dumps(GREETING).encode() + b"\r\n")
        for answer in answers:
            wire.flush()
            asked.append(json.loads(wire.readline()))
            for document in (EVENT, answer):
                wire.write(json.dumps(document).encode() + b"\r\n")


def test_a_picture_is_asked_for_after_the_negotiation(tmp_path: Path) -> None:
    picture = tmp_path / "screen.png"

    with emulator(tmp_path / "control", DONE, DONE) as asked:
        is_taken = screenshot.photograph(tmp_path / "control", picture)

    assert is_taken
    assert [question["execute"] for question in asked] == ["qmp_capabilities", "screendump"]
    assert asked[1]["arguments"] == {"filename": str(picture), "format": "png"}


def test_a_refusal_is_no_picture_and_no_failure(tmp_path: Path) -> None:
    with emulator(tmp_path / "control", DONE, REFUSED):
        assert not screenshot.photograph(tmp_path / "control", tmp_path / "screen.png")


def test_an_emulator_that_ends_meanwhile_is_no_picture_and_no_failure(tmp_path: Path) -> None:
    with emulator(tmp_path / "control", DONE):
        assert not screenshot.photograph(tmp_path / "control", tmp_path / "screen.png")


def test_an_emulator_that_is_gone_is_no_picture_and_no_failure(tmp_path: Path) -> None:
    assert not screenshot.photograph(tmp_path / "control", tmp_path / "screen.png")
