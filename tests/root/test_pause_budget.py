"""A pause that its memory cannot hold is refused while the board still runs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.board import spool
from support import boards
from support.boards import Board, Kept, holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MIB = 1 << 20
LARGE = 40 * MIB
REWRITE = """\
import os, sys, time
handle = os.open(sys.argv[1], os.O_WRONLY)
place = 0
while True:
    os.pwrite(handle, os.urandom(1 << 20), place)
    place = (place + (1 << 20)) % int(sys.argv[2])
    time.sleep(0.02)
"""


@contextmanager
def rewritten(path: Path) -> Iterator[None]:
    """Have another process rewrite a large file in place, over and over."""
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(os.urandom(MIB) * (LARGE // MIB))
    writer = subprocess.Popen([sys.executable, "-c", REWRITE, str(path), str(LARGE)])
    try:
        yield
    finally:
        writer.kill()
        writer.wait(timeout=60)


def settings(folder: Path, memory: int, more: str = "") -> str:
    """Return settings with so many bytes of memory, and a hook that tells of a pause."""
    share = memory / spool.parse_available(spool.MEMINFO.read_bytes())
    return (
        f"pause: {{spool_share: {share:.6f}, ceiling: 10.0{more}}}\n"
        "hooks:\n- name: gauge\n  how: command\n"
        f"  quiesce: [/usr/bin/touch, {folder}/paused]\n  resume: [/usr/bin/true]\n"
    )


@contextmanager
def busy_board(folder: Path, memory: int, more: str = "") -> Iterator[tuple[Board, Kept]]:
    with (
        boards.running(folder, size=320 * MIB) as board,
        boards.kept(folder, board, more=settings(folder, memory, more)) as kept,
        rewritten(board.root / "srv" / "readings.db"),
    ):
        yield board, kept


def failed(kept: Kept) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "holdstill", "capture", "--settings", str(kept.settings)],
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 5, done.stderr.decode()
    return " ".join(done.stderr.decode().split())


@pytest.mark.timeout(240)
def test_a_file_that_is_rewritten_all_the_time_and_does_not_fit_is_refused_before_the_pause(
    tmp_path: Path,
) -> None:
    with busy_board(tmp_path, 24 * MIB) as (_, kept):
        said = failed(kept)

        assert "readings.db (40.0 MiB)" in said
        assert "nothing was held still" in said
        assert "pause.spool_share" in said
        assert not (tmp_path / "paused").exists()


@pytest.mark.timeout(240)
def test_what_takes_too_long_by_the_measured_rate_is_sealed_at_a_lower_grade_if_so_set(
    tmp_path: Path,
) -> None:
    with busy_board(tmp_path, 96 * MIB, ", over_budget: lower-grade") as (_, kept):
        held = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
        rate = tmp_path / "state" / "copy-rate.json"
        measured = json.loads(rate.read_text())
        assert held["spool_bytes"] >= LARGE
        assert measured > 20 * MIB
        assert (tmp_path / "paused").exists()  # so much for the hook that tells

        (tmp_path / "paused").unlink()
        rate.write_text(str(2.0 * MIB))  # as on a slow card
        told = json.loads(
            holdstill("capture", "--settings", kept.settings, "--json", accepted=[8])
        )

        assert not (tmp_path / "paused").exists()
        assert any("not held still" in text and "20." in text for text in told["warnings"])
        assert json.loads(rate.read_text()) == 2.5 * MIB  # not believed for ever


@pytest.mark.timeout(240)
def test_a_file_larger_than_the_memory_is_sealed_as_it_is_found_if_so_set(
    tmp_path: Path,
) -> None:
    more = ", over_budget: lower-grade"
    with busy_board(tmp_path, 24 * MIB, more) as (board, kept):
        (board.root / "srv" / "second name").hardlink_to(board.root / "srv" / "readings.db")

        told = json.loads(
            holdstill("capture", "--settings", kept.settings, "--json", accepted=[8])
        )

        assert any("nothing was held still" in text for text in told["warnings"])
        assert told["parts"][1]["grade"] == "live"
        assert not (tmp_path / "paused").exists()
        holdstill("get", "pier-3", "/srv", "--to", tmp_path / "got", "--store", kept.store)
        names = [tmp_path / "got" / name for name in ("readings.db", "second name")]
        assert [name.stat().st_size for name in names] == [LARGE, LARGE]
        holdstill("verify", "--store", kept.store)


@pytest.mark.timeout(240)
def test_holes_and_second_names_do_not_count(tmp_path: Path) -> None:
    with (
        boards.running(tmp_path, size=512 * MIB) as board,
        boards.kept(tmp_path, board, more=settings(tmp_path, 64 * MIB)) as kept,
        _touched_for_ever(board.root / "lastlog", 4 << 30, written=MIB),
        _touched_for_ever(board.root / "readings", 15 * MIB, written=15 * MIB),  # not followed
    ):
        for number in range(4):
            (board.root / f"same-{number}").hardlink_to(board.root / "readings")

        captured = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))

        assert 16 * MIB <= captured["spool_bytes"] < 20 * MIB
        assert (tmp_path / "paused").exists()


TOUCH = """\
import os, sys, time
handle = os.open(sys.argv[1], os.O_WRONLY)
while True:
    os.pwrite(handle, os.urandom(8), 5)
    time.sleep(0.01)
"""


@contextmanager
def _touched_for_ever(path: Path, size: int, *, written: int) -> Iterator[None]:
    """Have another process change a few bytes of a file; what is not written is a hole."""
    with path.open("wb") as file:
        file.write(os.urandom(written))
        file.truncate(size)
    writer = subprocess.Popen([sys.executable, "-c", TOUCH, str(path)])
    try:
        yield
    finally:
        writer.kill()
        writer.wait(timeout=60)
