"""audit: bytes that change on the card under the file system's nose are found, and only those."""

import json
import mmap
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypedDict

import pytest

from support import boards, programs
from support.boards import Board, Kept, holdstill

pytestmark = pytest.mark.timeout(180)
BLOCK = 4096
ROOT_START = 90112 * 512
"""Of the root partition, as boards.MBR has it."""
FILES = {f"data/{number:02d}": os.urandom(40_000) for number in range(20)}

LARGE = bytes(100_000) + os.urandom(17 << 20)
PIECE = 64 << 10


@contextmanager
def captured(folder: Path) -> Iterator[tuple[Board, Kept]]:
    """Hold a board with twenty files that was captured once."""
    with (
        boards.running(folder, mkfs=("-b", str(BLOCK))) as board,
        boards.kept(folder, board) as kept,
    ):
        (board.root / "data").mkdir()
        for name, content in FILES.items():
            (board.root / name).write_bytes(content)
        holdstill("capture", "--settings", kept.settings)
        yield board, kept


def flip(board: Board, name: str, *, at: int) -> int:
    """Change one byte of a file on the card, and return its place; e2fsprogs says where it is."""
    os.sync()
    block = at // BLOCK
    said = programs.run("debugfs", "-R", f"bmap /{name} {block}", board.disk.partition(2))
    where = ROOT_START + int(said.split()[-1]) * BLOCK + at % BLOCK
    with board.disk.image.open("r+b") as card:
        card.seek(where)
        old = card.read(1)
        assert old == FILES.get(name, LARGE)[at : at + 1]
        card.seek(where)
        card.write(bytes([old[0] ^ 1]))
    return where


def audit(kept: Kept, *words: str, code: int = 0) -> dict[str, object]:
    said = holdstill("audit", "--settings", kept.settings, "--json", *words, accepted=(code,))
    report = json.loads(said)
    assert isinstance(report, dict)
    return report


class Damage(TypedDict):
    path: str
    problem: str
    fetch: str
    ranges: list[dict[str, object]]
    more: int


def damages(report: dict[str, object]) -> list[Damage]:
    found = report["damages"]
    assert isinstance(found, list)
    return found


def test_a_flipped_byte_is_found_and_its_good_copy_can_be_fetched(tmp_path: Path) -> None:
    with captured(tmp_path) as (board, kept):
        before = audit(kept)
        flip(board, "data/07", at=20_000)

        after = audit(kept, code=7)
        text = holdstill("audit", "--settings", kept.settings, accepted=(7,)).decode()
        (damage,) = damages(after)
        words = damage["fetch"].split()[1:-1]
        holdstill(*words, tmp_path / "good", "--store", kept.store)

    assert before["damages"] == []
    assert before["is_whole_pass"] is True
    assert damage["path"] == "/data/07"
    assert "although nobody wrote to it" in damage["problem"]
    assert "holdstill get pier-3/000001 /data/07" in text
    assert (tmp_path / "good").read_bytes() == FILES["data/07"]


def test_the_bad_pieces_of_a_large_file_are_named_with_their_place_on_the_card(
    tmp_path: Path,
) -> None:
    with boards.running(tmp_path, mkfs=("-b", str(BLOCK))) as board:
        (board.root / "large").write_bytes(LARGE)
        with boards.kept(tmp_path, board) as kept:
            holdstill("capture", "--settings", kept.settings)
            before = audit(kept)
            first = flip(board, "large", at=3 * PIECE + 5)
            last = flip(board, "large", at=len(LARGE) - 1)
            report = audit(kept, code=7)
            text = holdstill("audit", "--settings", kept.settings, accepted=(7,)).decode()

    end, disk = len(LARGE) - len(LARGE) % PIECE, str(board.disk.device)
    (damage,) = damages(report)
    assert before["damages"] == []
    assert damage["path"] == "/large"
    assert damage["more"] == 0
    assert damage["ranges"] == [
        {
            "offset": 3 * PIECE, "length": PIECE, "disk": disk,
            "disk_byte": first - 5, "is_unreadable": False,
        },
        {
            "offset": end, "length": len(LARGE) - end, "disk": disk,
            "disk_byte": last - (len(LARGE) - 1 - end), "is_unreadable": False,
        },
    ]  # fmt: skip
    assert f"64.0 KiB at byte {3 * PIECE:,} (byte {first - 5:,} of {disk})" in text


def test_changed_files_are_not_blamed_whatever_the_card_did_to_them(tmp_path: Path) -> None:
    with captured(tmp_path) as (board, kept):
        flip(board, "data/03", at=100)
        (board.root / "data/03").chmod(0o600)  # its inode is another one now
        (board.root / "data/04").write_bytes(b"written by its owner")
        (board.root / "data/05").unlink()

        report = audit(kept)

    assert report["damages"] == []
    assert report["changed"] == 3


def test_a_page_that_a_running_program_has_mapped_does_not_hide_the_card(tmp_path: Path) -> None:
    with (
        captured(tmp_path) as (board, kept),
        (board.root / "data/01").open("rb") as file,
        mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ) as mapped,
    ):
        assert mapped[:] == FILES["data/01"]
        flip(board, "data/01", at=9_000)

        report = audit(kept, code=7)

        assert mapped[:] == FILES["data/01"]  # who reads through memory still sees no harm

    assert [damage["path"] for damage in damages(report)] == ["/data/01"]


def test_nights_with_a_budget_read_everything_once_each_going_on_from_the_last(
    tmp_path: Path,
) -> None:
    with captured(tmp_path) as (board, kept):
        flip(board, "data/19", at=0)
        nights = []
        for _ in range(20):
            done = subprocess.run(
                [sys.executable, "-m", "holdstill", "audit", "--json", "--budget", "200K",
                 "--settings", kept.settings], capture_output=True, check=False,
            )  # fmt: skip
            nights.append((done.returncode, json.loads(done.stdout)))
            if nights[-1][1]["is_whole_pass"]:
                break

    assert 4 <= len(nights) <= 6
    assert sum(report["files"] for _, report in nights) == len(FILES) + 1  # and etc/fstab
    assert [code for code, _ in nights].count(7) == 1


def test_a_board_that_was_never_captured_is_told_what_to_do(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board, boards.kept(tmp_path, board) as kept:
        done = subprocess.run(
            [sys.executable, "-m", "holdstill", "audit", "--settings", kept.settings],
            capture_output=True, check=False,
        )  # fmt: skip

    assert done.returncode == 2
    assert b"take one first" in done.stderr
