"""A store on the very card that is captured: refused, unless somebody insists."""

from __future__ import annotations

import json
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import disks_below, mounts
from support import boards, loop, programs
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator

    from support.boards import Board, Nearby

pytestmark = pytest.mark.timeout(180)
TWO_ROOTS = (
    boards.MBR.replace("type=83", "size=1433600, type=83") + "start=1523712, size=81920, type=83\n"
)
HOLDSTILL = Path(sys.executable).with_name("holdstill")
ACCEPT = "store_on_card: accept\n"


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    with boards.running(tmp_path, script=TWO_ROOTS, size=800 * MIB) as made:
        yield made


def path_on_card(board: Board, tmp_path: Path, where: str) -> Path:
    match where:
        case "bound":
            return tmp_path / "bound"
        case "other partition" | "loop file":
            return tmp_path / "data"
        case _:
            return board.root / "keep"


@contextmanager
def place_on_card(board: Board, tmp_path: Path, where: str) -> Iterator[Path]:
    """Hold a directory on the card, by one of the ways that a store gets there."""
    (board.root / "keep").mkdir()
    place = path_on_card(board, tmp_path, where)
    match where:
        case "bound":
            place.mkdir()
            programs.run("mount", "--bind", board.root / "keep", place)
            try:
                yield place
            finally:
                programs.run("umount", place)
        case "other partition":
            device = board.disk.partition(3)
            programs.run("mkfs.ext4", "-q", device)
            with loop.mounted(device, place):
                yield place
        case "loop file":
            image = loop.blank_image(board.root / "keep/disk.img", size=64 * MIB)
            with loop.attached(image) as disk:
                programs.run("mkfs.ext4", "-q", disk.device)
                with loop.mounted(disk.device, place):
                    yield place
        case _:
            yield place


def capture(kept: Nearby) -> subprocess.CompletedProcess[bytes]:
    return programs.attempt(HOLDSTILL, "capture", "--settings", kept.settings)


@pytest.mark.parametrize("where", ["the root", "bound", "other partition", "loop file"])
def test_f3_a_store_on_the_captured_card_is_refused_however_it_got_there(
    board: Board, tmp_path: Path, where: str
) -> None:
    with (
        place_on_card(board, tmp_path, where) as place,
        boards.kept_nearby(place, board.root) as kept,
    ):
        inspected = holdstill("inspect", "--settings", kept.settings, "--json", accepted=(4,))
        refused = capture(kept)
        listed = json.loads(holdstill("list", "--store", kept.store, "--json"))

    report = json.loads(inspected)
    said = f"the store {kept.store} is on {board.disk.device} itself"
    (refusal,) = report["refusals"]
    assert said in refusal
    assert "store_on_card: accept" in refusal
    assert refused.returncode == 4
    assert said in refused.stderr.decode()
    assert b"store_on_card: accept" in refused.stderr
    assert listed["boards"] == {"pier-3": []}


@pytest.mark.parametrize("where", ["the root", "bound"])
def test_f3_who_insists_is_told_each_time_and_the_store_does_not_hold_itself(
    board: Board, tmp_path: Path, where: str
) -> None:
    (board.root / "reading").write_bytes(b"12.5")
    with (
        place_on_card(board, tmp_path, where) as place,
        boards.kept_nearby(place, board.root, more=ACCEPT) as kept,
    ):
        done = [capture(kept) for _ in range(2)]
        assert {each.returncode for each in done} <= {0, 8}, [each.stderr for each in done]
        holdstill("inspect", "--settings", kept.settings)
        words = ("--store", kept.store, "--to")
        holdstill("get", "pier-3", "/reading", *words, tmp_path / "reading")
        holdstill("get", "pier-3", "/keep", *words, tmp_path / "got")

    note = f"note: the store {kept.store} is on {board.disk.device} itself"
    assert all(note in " ".join(each.stdout.decode().split()) for each in done)
    assert (tmp_path / "reading").read_bytes() == b"12.5"
    assert (tmp_path / "got/board.yaml").exists()
    assert list((tmp_path / "got/store").iterdir()) == []


def test_f3_a_store_elsewhere_is_no_ones_business(board: Board, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    with boards.kept_nearby(tmp_path / "elsewhere", board.root) as kept:
        report = json.loads(holdstill("inspect", "--settings", kept.settings, "--json"))

    assert report["refusals"] == []
    assert not [warning for warning in report["warnings"] if "itself" in warning]


def test_f3_the_disks_below_a_directory_are_those_that_lsblk_shows(
    board: Board, tmp_path: Path
) -> None:
    with place_on_card(board, tmp_path, "loop file") as place:
        found = disks_below.disks_below(place, mounts.read_mounts())
        source = programs.run("findmnt", "-no", "SOURCE", "--target", place).decode().strip()
        upper = programs.run("lsblk", "-dno", "NAME", source).decode().strip()
        part = programs.run("findmnt", "-no", "SOURCE", "--target", board.root).decode().strip()
        lower = programs.run("lsblk", "-dno", "PKNAME", part).decode().strip()

    assert {upper, lower} <= found
    assert disks_below.disk_name(board.disk.partition(2)) == lower
    assert disks_below.disks_below(tmp_path / "..", ()) == set()
