"""A board under write load: a capture is one instant of it, and an ordinary live copy is none.

The tide gauge promises an order of writes across directories and sums inside its database. Both
are judged in the same way in rebuilt cards and in copies made by rsync while the gauge writes, so
that this test would notice if the promises were empty, or the judge blind.
"""

from __future__ import annotations

import itertools
import json
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.demo import board, evidence, gauge_check, material
from holdstill.demo.material import Share
from holdstill.demo.tide_gauge import LEADING, TRAILING
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import boards, programs
from support.boards import holdstill
from support.loop import MIB, LoopDisk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.demo.board import Board
    from holdstill.demo.evidence import Evidence
    from support.boards import Kept

SHARES = (Share("/usr/lib", 3000, 90 * MIB), Share("/usr/share", 2000, 30 * MIB))
CHURNED = 40
BLOCK = 64 << 10

pytestmark = pytest.mark.timeout(480)


@contextmanager
def busy_board(folder: Path) -> Iterator[Board]:
    """Run a board whose gauge writes, and on which files are rewritten all the time."""
    with (
        board.on_loop_device(
            folder, machine=LocalRunner(), clock=SystemClock(), shares=SHARES
        ) as pier,
        churning(pier.root / "var/lib/churn"),
    ):
        yield pier


@contextmanager
def churning(folder: Path) -> Iterator[None]:
    """Rewrite files below folder, some 3 MB a second, for the length of the block."""
    folder.mkdir(parents=True)
    ending = threading.Event()

    def churn() -> None:
        for number in itertools.count():
            if ending.wait(0.02):
                return
            block = material.noise(str(number), BLOCK)
            (folder / str(number % CHURNED)).write_bytes(block)

    writer = threading.Thread(target=churn)
    writer.start()
    try:
        yield
    finally:
        ending.set()
        writer.join()


def captured(kept: Kept, image: Path) -> tuple[dict[str, object], Evidence]:
    """Capture, rebuild the capture, and question the rebuilt card."""
    report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
    holdstill("rebuild", "pier-3", image, "--size", "600M", "--store", kept.store)
    (grade,) = [part["grade"] for part in report["parts"] if part["place"] == "/"]
    return {"grade": grade, "frozen": report["frozen_ms"] > 0}, evidence.of_card(
        image, partition=2
    )


def copied(root: Path, target: Path) -> tuple[int, Evidence]:
    """Copy the living tree as one would by hand, and question the copy.

    Comes with the distance of two counters that are never more than one apart on the board.
    """
    # 24: files vanished meanwhile, which is no failure of such a copy (rsync(1), EXIT VALUES).
    done = programs.attempt("rsync", "-aHAX", f"{root}/", f"{target}/", timeout=120)
    assert done.returncode in {0, 24}, done.stderr
    counters = [int((target / path).read_bytes()) for path in (LEADING, TRAILING)]
    return counters[0] - counters[1], evidence.of_tree(target)


@pytest.mark.parametrize("times", [2, pytest.param(5, marks=pytest.mark.slow)])
def test_captures_keep_what_live_copies_break(tmp_path: Path, times: int) -> None:
    with busy_board(tmp_path) as pier:
        assert pier.device is not None
        here = boards.Board(LoopDisk(pier.device, pier.image), pier.root)
        with boards.kept(tmp_path, here) as kept:
            found = [captured(kept, tmp_path / f"{number}.img") for number in range(times)]
        copies = [copied(pier.root, tmp_path / f"copy-{number}") for number in range(times)]
        pier.gauge.end()
        at_rest = gauge_check.check(pier.root)

    assert [broken for _, (_, broken) in found] == [()] * times
    assert [facts for facts, _ in found] == [{"grade": "point-in-time", "frozen": True}] * times
    # The gauge was at work all the time, and every capture is of a later instant.
    newest = [reading for _, (reading, _) in found]
    assert all(later > earlier for earlier, later in itertools.pairwise([1, *newest]))

    # The same judge, over copies of the same files: not one of them is of one instant.
    assert all(copy.broken for _, copy in copies)
    assert all(distance > 1 for distance, _ in copies)
    # And it was the copying that broke them, not the gauge.
    assert at_rest == []
