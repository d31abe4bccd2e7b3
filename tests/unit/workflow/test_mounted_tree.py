"""What a round says is left to copy: of a file that is followed, its dirty pieces."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.board.ctime_window import InodeClock
from holdstill.board.extent_map import Extent, State
from holdstill.board.followed_files import FollowedPart, How, Way
from holdstill.board.path_filter import PathFilter
from holdstill.board.scan import Scanner
from holdstill.board.stat_detector import StatDetector
from holdstill.board.traced_disk import Disk, Place
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.model import pieces
from holdstill.records import index_file
from holdstill.system import clocks
from holdstill.workflow.mounted_tree import MountedTree
from holdstill.workflow.precopy import PendingAmount
from support.keeping import FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.board.extent_map import ExtentMap

SIZE, SMALL = pieces.PIECED_FROM, 5000


class StraightMap:
    """The map of a file that lies at the start of its disk, in one extent."""

    def extents(self, start: int, end: int) -> list[Extent]:
        return [Extent(start, end - start, 0, State.STORED)]

    def is_shared(self, start: int, end: int) -> bool:
        return False


def straight(handle: int) -> ExtentMap:
    return StraightMap()


def test_a_round_counts_the_dirty_pieces_of_what_is_followed_and_all_of_the_rest(
    tmp_path: Path,
) -> None:
    (tmp_path / "readings.db").write_bytes(os.urandom(SIZE))
    (tmp_path / "log").write_bytes(os.urandom(SMALL))
    part = FollowedPart(Way(How.TRACED), Place(Disk(8, 0), 0), tmp_path, 1, straight)
    root = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    handle = os.open(tmp_path / "readings.db", os.O_RDONLY)
    try:
        scanner = Scanner(root, PathFilter(exclude=()))
        detector = StatDetector(root, InodeClock(FakeClock(), clocks.coarse_now_ns))
        tree = MountedTree(2, scanner, detector, part)
        with index_file.created(tmp_path / "index") as index:
            for name in (b"readings.db", b"log"):
                entry = scanner.find(name)
                assert entry is not None
                index.put(2, entry, seq=1)
            assert tree.pending_amount(index) == PendingAmount(2, SIZE + SMALL)

            file = part.follow(handle)
            assert file is not None
            list(part.hot_round(file))
            told = WrittenBlocks(SIZE)
            told.add(5 * pieces.PIECE // 512, 1)
            part.look(told, "")

            assert tree.pending_amount(index) == PendingAmount(2, pieces.PIECE + SMALL)
    finally:
        part.forget_all()
        os.close(handle)
        os.close(root)
