"""`inspect` says how large files are followed, and what a pause would copy of them now."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from support import boards, database_writer, programs
from support.boards import holdstill

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(240)
MIB = 1 << 20
SIZE = 24 * MIB


def test_a_database_that_is_committed_to_costs_a_pause_some_pieces_and_a_quiet_one_none(
    tmp_path: Path,
) -> None:
    with boards.running(tmp_path) as board:
        path = board.root / "srv" / "readings.db"
        path.parent.mkdir()
        database_writer.fill(path, SIZE, "delete")
        with boards.kept(tmp_path, board) as kept:
            words = ["inspect", "--offline", "--settings", kept.settings]
            before = json.loads(holdstill(*words, "--json"))["pause"]
            assert [part["files"] for part in before["parts"]] == [[]]  # nothing is known yet
            holdstill("capture", "--settings", kept.settings)

            quiet = json.loads(holdstill(*words, "--json"))["pause"]
            with database_writer.writing(path, "delete"):
                busy = json.loads(holdstill(*words, "--json"))["pause"]
                said = holdstill(*words).decode()

        ((part, file),) = [(part, file) for part in busy["parts"] for file in part["files"]]
        assert (part["part"], part["how"], part["why"]) == (2, "traced", "")
        assert (file["path"], file["how"]) == ("srv/readings.db", "traced")
        assert file["size"] >= SIZE
        assert 0 < file["pause_bytes"] == busy["bytes"] < SIZE / 2
        assert quiet["bytes"] == 0
        assert quiet["seconds"] < busy["seconds"] < 1
        assert "srv/readings.db" in said
        assert "A pause now would copy" in said


def test_what_is_shared_of_a_file_that_changes_costs_a_pause_as_well(tmp_path: Path) -> None:
    """As after `cp --reflink`: shared blocks may be given back, so that they are read again."""
    with boards.running(tmp_path, kind="xfs", size=512 * MIB) as board:
        path = board.root / "srv" / "readings.db"
        path.parent.mkdir()
        database_writer.fill(path, SIZE, "delete")
        with boards.kept(tmp_path, board) as kept:
            holdstill("capture", "--settings", kept.settings)
            programs.run("cp", "--reflink=always", path, path.with_suffix(".old"))
            words = ["inspect", "--offline", "--settings", kept.settings, "--json"]

            quiet = json.loads(holdstill(*words))["pause"]
            with database_writer.writing(path, "delete"):
                busy = json.loads(holdstill(*words))["pause"]

        assert quiet["bytes"] == 0
        assert busy["bytes"] > SIZE / 2
