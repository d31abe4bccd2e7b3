"""A board whose root is an overlay over a card: what is below is captured, and said."""

from __future__ import annotations

import os
import tempfile
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.workflow.capture_report import CaptureReport
from support import boards, loop
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(180)


def test_the_file_system_below_an_overlay_is_captured_and_what_is_above_is_said_to_be_lost(
    tmp_path: Path,
) -> None:
    with (
        tempfile.TemporaryDirectory(dir="/dev/shm") as memory,
        boards.running(tmp_path, size=160 * MIB) as board,
    ):
        (board.root / "etc/station").write_text("pier-3\n", encoding="ascii")
        for name in ("upper", "work"):
            os.mkdir(f"{memory}/{name}")  # noqa: PTH102
        options = f"lowerdir={board.root},upperdir={memory}/upper,workdir={memory}/work"
        with loop.mounted(board.root, tmp_path / "over", options=options, kind="overlay") as over:
            (over / "etc/station").write_text("in memory only\n", encoding="ascii")
            with boards.kept_nearby(tmp_path, over) as kept:
                said = holdstill("capture", "--settings", kept.settings, "--json", accepted=[0, 8])
                report = msgspec.json.decode(said, type=CaptureReport)
                captured = kept.store / "boards/pier-3/latest/2"
                content = (captured / "etc/station").read_text(encoding="ascii")

    assert content == "pier-3\n"
    (root,) = [part for part in report.parts if part.place == "/"]
    assert (root.grade, root.detection) == ("point-in-time", "inode-tables")
    assert report.frozen_ms > 0
    assert any("is an overlay" in words for words in (*report.warnings, *report.notes))
