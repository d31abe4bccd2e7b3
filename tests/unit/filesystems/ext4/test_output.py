from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.errors import TargetFailedError
from holdstill.filesystems.ext4 import output
from holdstill.filesystems.ext4.output import (
    ALIGNMENT,
    PIECE,
    SYNC_EVERY,
    CachedWriter,
    DirectWriter,
    Output,
)

if TYPE_CHECKING:
    from pathlib import Path

SIZE = 16 << 20
WRITES = st.lists(
    st.tuples(
        st.sampled_from([0, 0, 0, 512, 4096, 1 << 20]),  # how far behind the one before
        st.sampled_from([1, 4096, 70_000, 1 << 20, PIECE, PIECE + 4097]),
        st.sampled_from([b"\0", b"r", b"s"]),
    ),
    max_size=20,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(writes=WRITES)
def test_bytes_arrive_where_they_belong(
    tmp_path: Path, writes: list[tuple[int, int, bytes]]
) -> None:
    path, wanted = tmp_path / "target", bytearray(b"old!" * (SIZE // 4))
    path.write_bytes(wanted)
    position = 0
    with (
        path.open("r+b") as file,
        output.writer(file.fileno(), path) as pieces,
        ThreadPoolExecutor(1) as thread,
    ):
        out = Output(file.fileno(), pieces, thread)
        for gap, length, letter in writes:
            position += gap
            if position + length > SIZE:
                break
            out.write(position, letter * length)
            wanted[position : position + length] = letter * length
            position += length
        out.finish()

    assert path.read_bytes() == wanted


def test_a_cleared_range_reads_as_zeroes_and_takes_no_room(tmp_path: Path) -> None:
    path = tmp_path / "target"
    with path.open("w+b") as file, ThreadPoolExecutor(1) as thread:
        file.truncate(SIZE)
        out = Output(file.fileno(), CachedWriter(file.fileno()), thread)
        out.clear(0, SIZE)
        out.write(0, bytes(1 << 20))
        out.finish()

    assert path.stat().st_blocks == 0


def test_a_target_that_takes_nothing_is_said_to_with_the_place() -> None:
    handle = os.open("/dev/full", os.O_RDWR)
    with ThreadPoolExecutor(1) as thread:
        out = Output(handle, CachedWriter(handle), thread)
        out.write(4096, b"1.42 m")

        with pytest.raises(TargetFailedError, match="at byte 4096: No space left") as caught:
            out.finish()

    os.close(handle)
    assert "make room on the disk that the image is on" in caught.value.hint


class Recorder:
    """Notes what it is asked to write."""

    def __init__(self) -> None:
        self.written: list[tuple[int, int]] = []

    def write(self, position: int, piece: memoryview) -> None:
        self.written.append((position, len(piece)))


def test_neighbours_are_written_together() -> None:
    recorder = Recorder()
    with ThreadPoolExecutor(1) as thread:
        out = Output(-1, recorder, thread)
        for number in range(3000):
            out.write(8192 + number * 4096, b"r" * 4096)
        out.write(1 << 30, b"r" * 4096)
        out.finish()

    pieces = [(8192, PIECE), (8192 + PIECE, PIECE), (8192 + 2 * PIECE, 3000 * 4096 - 2 * PIECE)]
    assert recorder.written == [*pieces, (1 << 30, 4096)]


@pytest.mark.parametrize(
    ("position", "length"), [(512, ALIGNMENT), (0, ALIGNMENT + 512), (ALIGNMENT, 1)]
)
def test_what_is_not_aligned_goes_through_the_cache(
    tmp_path: Path, position: int, length: int
) -> None:
    recorder = Recorder()

    DirectWriter(-1, recorder).write(position, memoryview(b"r" * length))

    assert recorder.written == [(position, length)]


def test_a_cache_is_made_to_give_away_what_it_was_given(tmp_path: Path) -> None:
    handle = os.open("/dev/null", os.O_WRONLY)  # takes bytes, but cannot be synced
    cached = CachedWriter(handle)
    cached.write(0, memoryview(bytes(SYNC_EVERY - 1)))

    with pytest.raises(OSError, match="Invalid argument"):
        cached.write(0, memoryview(b"r"))
    os.close(handle)


def test_a_failure_of_direct_writing_is_not_taken_for_a_refusal(tmp_path: Path) -> None:
    path = tmp_path / "target"
    path.write_bytes(b"")
    handle = os.open(path, os.O_RDONLY)

    with pytest.raises(OSError, match="Bad file descriptor"):
        DirectWriter(handle, Recorder()).write(0, memoryview(b"r" * ALIGNMENT))
    os.close(handle)
