from __future__ import annotations

import fcntl
import os
import tempfile
import threading
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.board import spool
from holdstill.board.spool import ChangedError, Spool, SpoolFullError
from holdstill.errors import PreflightError
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from collections.abc import Iterator

MIB = 1 << 20


@contextmanager
def opened(path: Path) -> Iterator[int]:
    handle = os.open(path, os.O_RDONLY)
    try:
        yield handle
    finally:
        os.close(handle)


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "level"
    path.write_bytes(b"1.42 m\n" * 5000)
    return path


@pytest.fixture
def memory(tmp_path: Path) -> Path:
    (tmp_path / "memory").mkdir()
    return tmp_path / "memory"


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, 3 * MIB])
def test_a_copy_is_the_same(size: int, tmp_path: Path, memory: Path) -> None:
    content = os.urandom(size)
    (tmp_path / "file").write_bytes(content)

    with Spool(memory, 8 * MIB) as mine, opened(tmp_path / "file") as handle:
        copied = mine.copy(handle, size)
        found = copied.path.read_bytes()

    assert found == content
    assert copied.size == size


@settings(deadline=None, max_examples=60)
@given(
    spans=st.lists(st.tuples(st.integers(0, 80), st.integers(1, 40_000)), max_size=6),
    tail=st.integers(0, 100_000),
)
def test_what_a_copy_takes_is_known_before(spans: list[tuple[int, int]], tail: int) -> None:
    """With holes and without, and files of no page and of part of one."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place, "file")
        with path.open("wb") as file:
            for page, count in spans:
                file.seek(page * 16384)
                file.write(b"w" * count)
            size = file.seek(0, os.SEEK_END) + tail
            file.truncate(size)
        with Spool(Path(place), 8 * MIB) as mine, opened(path) as handle:
            predicted = spool.needed_for(handle)
            mine.copy(handle, size)

            assert mine.used == predicted
            assert predicted <= spool.needed(size)


def test_a_rate_is_measured_also_where_the_copy_failed(tmp_path: Path, memory: Path) -> None:
    path = tmp_path / "readings.db"
    with path.open("wb") as file:
        file.write(bytes(9 * MIB))
        file.seek(MIB, os.SEEK_CUR)
        file.write(bytes(9 * MIB))
    with Spool(memory, 16 * MIB) as mine, opened(path) as handle:
        with pytest.raises(SpoolFullError), mine.timed(SystemClock()):
            mine.copy(handle, 19 * MIB)

        assert mine.rate > 0


def test_what_was_copied_outside_of_the_pause_is_no_rate(tmp_path: Path, memory: Path) -> None:
    path = tmp_path / "readings.db"
    path.write_bytes(bytes(9 * MIB))
    with Spool(memory, 16 * MIB) as mine, opened(path) as handle:
        mine.copy(handle, 9 * MIB)

        assert mine.rate == 0


def test_the_place_of_reading_does_not_matter(source: Path, memory: Path) -> None:
    with Spool(memory, MIB) as mine, opened(source) as handle:
        os.lseek(handle, 0, os.SEEK_END)

        copied = mine.copy(handle, source.stat().st_size)

        assert copied.path.read_bytes() == source.read_bytes()


def test_two_copies_have_two_names(source: Path, memory: Path) -> None:
    with Spool(memory, MIB) as mine, opened(source) as handle:
        copies = [mine.copy(handle, source.stat().st_size) for _ in range(2)]

        assert copies[0].path != copies[1].path


def test_holes_stay_holes_and_take_no_room(tmp_path: Path, memory: Path) -> None:
    sparse = tmp_path / "sparse"
    with sparse.open("wb") as file:
        file.seek(20 * MIB)
        file.write(b"level")
        file.truncate(40 * MIB)

    with Spool(memory, MIB) as mine, opened(sparse) as handle:
        copied = mine.copy(handle, 40 * MIB)
        used, blocks = mine.used, copied.path.stat().st_blocks
        found = copied.path.read_bytes()

    assert found == sparse.read_bytes()
    assert used < 100_000
    assert blocks * 512 < 100_000


data = st.lists(
    st.tuples(st.integers(0, 64), st.integers(1, 20000), st.integers(1, 255)), max_size=5
)


@given(data, st.integers(0, 300_000))
def test_any_file_is_copied_as_it_is(writes: list[tuple[int, int, int]], size: int) -> None:
    with tempfile.TemporaryDirectory() as directory:
        path, memory = Path(directory, "file"), Path(directory, "memory")
        memory.mkdir()
        with path.open("wb") as file:
            for page, length, value in writes:
                file.seek(page * 4096)
                file.write(bytes([value]) * length)
            file.truncate(size)

        with Spool(memory, MIB) as mine, opened(path) as handle:
            found = mine.copy(handle, size).path.read_bytes()

        assert found == path.read_bytes()


def test_what_does_not_fit_is_refused_and_leaves_nothing(source: Path, memory: Path) -> None:
    with Spool(memory, 40_000) as mine, opened(source) as handle:
        mine.copy(handle, source.stat().st_size)
        used, files = mine.used, names(memory)

        with pytest.raises(SpoolFullError):
            mine.copy(handle, source.stat().st_size)

        assert (mine.used, names(memory)) == (used, files)
        assert mine.left == 40_000 - used


def test_many_empty_files_fill_it_too(tmp_path: Path, memory: Path) -> None:
    (tmp_path / "empty").touch()

    with Spool(memory, 10_000) as mine, opened(tmp_path / "empty") as handle:
        with pytest.raises(SpoolFullError):
            copy_often(mine, handle, 100)

        assert len(names(memory)) < 12


def copy_often(mine: Spool, handle: int, times: int) -> None:
    for _ in range(times):
        mine.copy(handle, 0)


def names(memory: Path) -> set[str]:
    return {path.name for path in memory.glob("*/*")}


@pytest.mark.parametrize("wrong", [-1, 1])
def test_a_file_of_another_size_is_refused(wrong: int, source: Path, memory: Path) -> None:
    with Spool(memory, MIB) as mine, opened(source) as handle:
        with pytest.raises(ChangedError):
            mine.copy(handle, source.stat().st_size + wrong)

        assert (names(memory), mine.used) == (set(), 0)


def test_c6_file_grows_a_file_that_changes_while_it_is_copied_is_refused(
    source: Path, memory: Path
) -> None:
    size = source.stat().st_size
    with Spool(memory, MIB) as mine, opened(source) as handle:
        before = os.fstat(handle)
        os.utime(source, ns=(before.st_atime_ns, before.st_mtime_ns + 1))

        with (memory / "copy").open("wb") as out, pytest.raises(ChangedError):
            mine._fill(out.fileno(), handle, before, size)


def test_everything_is_gone_at_the_end(source: Path, memory: Path) -> None:
    with pytest.raises(EOFError), Spool(memory, MIB) as mine, opened(source) as handle:
        copy_and_fail(mine, handle, source.stat().st_size)

    assert list(memory.iterdir()) == []


def copy_and_fail(mine: Spool, handle: int, size: int) -> None:
    mine.copy(handle, size)
    raise EOFError


def test_what_a_dead_run_left_is_collected(source: Path, memory: Path) -> None:
    left = memory / "spool-dead"
    left.mkdir()
    (left / "0").write_bytes(b"left")

    with Spool(memory, MIB):
        found = left.exists()

    assert not found


def test_a_living_runs_spool_is_left_alone(memory: Path) -> None:
    alive = memory / "spool-alive"
    alive.mkdir()
    with opened(alive) as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)

        with Spool(memory, MIB), Spool(memory, MIB):
            pass

        assert alive.exists()


def test_only_we_can_read_it(source: Path, memory: Path) -> None:
    with Spool(memory, MIB) as mine, opened(source) as handle:
        copied = mine.copy(handle, source.stat().st_size)
        modes = [path.stat().st_mode & 0o777 for path in (copied.path.parent, copied.path)]

    assert modes == [0o700, 0o600]


MEMINFO = b"""\
MemTotal:         442892 kB
MemFree:           21384 kB
MemAvailable:     301712 kB
Buffers:           24180 kB
"""


def test_the_free_memory_is_what_the_kernel_calls_available() -> None:
    # proc_meminfo(5): "an estimate of how much memory is available", in kB of 1024 bytes.
    assert spool.parse_available(MEMINFO) == 301712 * 1024


def test_the_limit_is_a_share_of_it(tmp_path: Path) -> None:
    (tmp_path / "meminfo").write_bytes(MEMINFO)

    limit = spool.limit_for(tmp_path, 0.3, meminfo=tmp_path / "meminfo")

    assert limit == int(301712 * 1024 * 0.3)


def test_with_hardly_any_memory_nothing_is_begun(tmp_path: Path) -> None:
    (tmp_path / "meminfo").write_bytes(b"MemAvailable:      9000 kB\n")

    with pytest.raises(PreflightError, match="too little memory"):
        spool.limit_for(tmp_path, 0.3, meminfo=tmp_path / "meminfo")


def test_a_live_copy_is_what_the_file_was_as_far_as_it_went(source: Path, memory: Path) -> None:
    before = source.read_bytes()

    with Spool(memory, MIB) as mine, opened(source) as handle:
        copied = mine.copy_live(handle)
        source.write_bytes(b"another level")
        found = copied.path.read_bytes()

    assert found == before
    assert copied.size == len(before)


def test_a_live_copy_does_not_mind_a_writer(source: Path, memory: Path) -> None:
    stopping = threading.Event()

    def write() -> None:
        while not stopping.is_set():
            with source.open("r+b") as file:
                file.write(b"2.42 m\n" * 5000)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        with Spool(memory, 64 * MIB) as mine, opened(source) as handle:
            copies = [mine.copy_live(handle) for _ in range(50)]
            sizes = {copied.path.stat().st_size for copied in copies}
    finally:
        stopping.set()
        writer.join()

    assert sizes == {source.stat().st_size}


def test_a_live_copy_that_does_not_fit_leaves_nothing(source: Path, memory: Path) -> None:
    with Spool(memory, 8192) as mine, opened(source) as handle:
        with pytest.raises(SpoolFullError):
            mine.copy_live(handle)

        assert (mine.used, list(mine.directory.iterdir())) == (0, [])


def test_cleared_it_has_room_for_all_again_and_leaves_alone_what_is_not_its_own(
    source: Path, memory: Path
) -> None:
    with Spool(memory, MIB) as mine, opened(source) as handle:
        (mine.directory / "gap").write_bytes(b"of somebody else")
        staged = mine.stage(MIB // 2, [(0, b"x" * (MIB // 2))])
        copied = mine.copy(handle, source.stat().st_size)

        mine.clear()

        assert mine.left == MIB
        assert not staged.spooled.path.exists()
        assert not copied.path.exists()
        assert [path.name for path in mine.directory.iterdir()] == ["gap"]
        assert mine.copy(handle, source.stat().st_size).path.read_bytes() == source.read_bytes()


def test_what_is_known_not_to_fit_is_refused_before_it_is_read(memory: Path) -> None:
    with Spool(memory, MIB) as mine:
        mine.check_room(MIB)
        with pytest.raises(SpoolFullError, match="does not fit the 1 MiB"):
            mine.check_room(MIB + 1)
