"""Large files are captured, kept and rebuilt in pieces: what changed costs, and nothing else."""

import json
import os
from pathlib import Path

import pytest

from support import boards, loop, programs
from support.boards import Board, Kept, holdstill

MIB = 1 << 20
PIECE = 64 << 10
SIZE = 40 * MIB + 12_345


def captured(kept: Kept) -> dict[str, int]:
    report: dict[str, int] = json.loads(
        holdstill("capture", "--settings", kept.settings, "--json")
    )
    return report


def fill(board: Board) -> None:
    """Make a database, one that is mostly holes, and a second name of the former."""
    (board.root / "srv").mkdir()
    (board.root / "srv" / "readings.db").write_bytes(os.urandom(SIZE))
    (board.root / "srv" / "same.db").hardlink_to(board.root / "srv" / "readings.db")
    with (board.root / "srv" / "lastlog").open("wb") as file:
        file.truncate(200 * MIB)
        file.seek(100 * MIB + 5)
        file.write(b"one reading")


def change(board: Board) -> None:
    with (board.root / "srv" / "readings.db").open("r+b") as file:
        for place in (5, 3 * MIB, SIZE - 7):
            file.seek(place)
            file.write(b"1.42 m")


def assert_same(image: Path, root: Path, folder: Path) -> None:
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.partition(2), folder, options="ro,noload") as at,
    ):
        programs.run("e2fsck", "-fn", disk.partition(2))
        output = programs.run(
            "rsync", "-aHAXn", "--checksum", "--delete", "--itemize-changes",
            "--numeric-ids", f"{root}/", f"{at}/", timeout=120,
        )  # fmt: skip
        assert output.decode(errors="replace").splitlines() == []
        assert (at / "srv" / "lastlog").stat().st_blocks * 512 < MIB


@pytest.mark.timeout(240)
def test_a_large_file_that_changed_in_part_costs_what_changed(tmp_path: Path) -> None:
    with boards.running(tmp_path, size=512 * MIB) as board:
        fill(board)
        with boards.kept(tmp_path, board) as kept:
            first = captured(kept)
            change(board)
            second = captured(kept)
            third = captured(kept)

            assert SIZE < first["new_bytes"] < SIZE + 20 * MIB
            assert 2 * PIECE < second["new_bytes"] < 3 * PIECE + MIB  # lists, and of the index
            assert second["wire_bytes"] < 3 * PIECE + MIB
            assert third["new_bytes"] < 64 << 10
            holdstill("verify", "--store", kept.store)
            image, at = tmp_path / "again.img", tmp_path / "srv"
            holdstill("rebuild", "pier-3", image, "--size", "400M", "--store", kept.store,
                      accepted=[boards.NO_KERNEL])  # fmt: skip
            assert_same(image, board.root, tmp_path / "rebuilt")
            holdstill("get", "pier-3", "/srv", "--to", at, "--store", kept.store)
            for name in ("readings.db", "lastlog"):
                programs.run("cmp", at / name, board.root / "srv" / name)
            assert (at / "lastlog").stat().st_blocks * 512 < MIB


@pytest.mark.timeout(240)
def test_a_piece_that_is_damaged_is_named_with_its_file(tmp_path: Path) -> None:
    with boards.running(tmp_path, size=512 * MIB) as board:
        fill(board)
        with boards.kept(tmp_path, board) as kept:
            captured(kept)
            piece = max(
                (p for p in (kept.store / "content").glob("*/*") if p.stat().st_size == PIECE),
                key=lambda path: path.name,
            )
            piece.chmod(0o600)
            piece.write_bytes(bytes(PIECE))

            found = holdstill("verify", "--store", kept.store, accepted=[7]).decode()

    assert piece.name in found
    assert "/srv/readings.db" in found
