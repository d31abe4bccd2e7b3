"""Every so often the change detection is compared with a look at everything."""

import json
import sqlite3
from pathlib import Path

import pytest

from support import boards
from support.boards import holdstill

DEGRADED = 8


def captured(settings: Path) -> dict[str, list[str]]:
    said = holdstill("capture", "--settings", settings, "--json", accepted=(0, DEGRADED))
    report: dict[str, list[str]] = json.loads(said)
    return report


@pytest.mark.timeout(120)
def test_a_change_that_the_detection_missed_is_found_told_and_captured(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board:
        (board.root / "file").write_bytes(b"content")
        (board.root / "file").chmod(0o640)
        with boards.kept(tmp_path, board, more="full_scan_every: 2\n") as kept:
            first = captured(kept.settings)
            pretend_to_have_seen(tmp_path / "state/index.sqlite", "file", mode=0o600)

            second = captured(kept.settings)
            third = captured(kept.settings)
            said = holdstill("get", "pier-3", "/file", "--store", kept.store,
                             "--to", tmp_path / "got")  # fmt: skip

    assert first["warnings"] == third["warnings"] == []
    assert any("missed 1 change" in text and "file" in text for text in second["warnings"])
    assert said
    assert (tmp_path / "got").stat().st_mode & 0o777 == 0o640


def pretend_to_have_seen(index: Path, name: str, *, mode: int) -> None:
    """Make the board remember something that is not so, as a detector with a hole would."""
    with sqlite3.connect(index) as db:
        changed = db.execute("UPDATE entry SET mode = ? WHERE name = ?", (mode, name.encode()))
        assert changed.rowcount == 1
    db.close()


@pytest.mark.timeout(120)
def test_a_sound_detection_passes_the_cross_check_while_files_change(tmp_path: Path) -> None:
    with (
        boards.running(tmp_path) as board,
        boards.kept(tmp_path, board, more="full_scan_every: 1\n") as kept,
    ):
        for number in range(2):
            (board.root / f"file-{number}").write_bytes(b"%d" % number)
            (board.root / f"folder-{number}" / "deep").mkdir(parents=True)

            assert captured(kept.settings)["warnings"] == []
