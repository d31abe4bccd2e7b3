from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.errors import TargetFailedError
from holdstill.rebuild.ext4.output import DIRECT, SYNC_EVERY, Output, Paced, Unpaced

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future
    from pathlib import Path

P = ParamSpec("P")
T = TypeVar("T")
SIZE = 4 << 20
WRITES = st.lists(
    st.tuples(
        st.sampled_from([0, 0, 0, 4096, 1 << 20]),  # how far behind the one before
        st.sampled_from([1, 4096, 70_000, DIRECT, DIRECT + 1]),
        st.sampled_from([b"\0", b"r", b"s"]),
    ),
    max_size=30,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(writes=WRITES)
def test_bytes_arrive_where_they_belong(
    tmp_path: Path, writes: list[tuple[int, int, bytes]]
) -> None:
    path, wanted = tmp_path / "target", bytearray(b"old!" * (SIZE // 4))
    path.write_bytes(wanted)
    position = 0
    with path.open("r+b") as file:
        output = Output(file.fileno(), Unpaced())
        for gap, length, letter in writes:
            position += gap
            if position + length > SIZE:
                break
            output.write(position, letter * length)
            wanted[position : position + length] = letter * length
            position += length
        output.finish()

    assert path.read_bytes() == wanted


def test_a_cleared_range_reads_as_zeroes_and_takes_no_room(tmp_path: Path) -> None:
    path = tmp_path / "target"
    with path.open("w+b") as file:
        file.truncate(SIZE)
        output = Output(file.fileno(), Unpaced())
        output.clear(0, SIZE)
        output.write(0, bytes(2 * DIRECT))
        output.finish()

    assert path.stat().st_blocks == 0


def test_a_target_that_takes_nothing_is_said_to_with_the_place() -> None:
    handle = os.open("/dev/full", os.O_RDWR)
    output = Output(handle, Unpaced())
    output.write(0, b"1.42 m")

    with pytest.raises(TargetFailedError, match="at byte 0: No space left") as caught:
        output.finish()

    os.close(handle)
    assert "card" in caught.value.hint


def test_a_device_is_made_to_take_what_it_was_given(tmp_path: Path) -> None:
    synced: list[bool] = []

    class Thread(ThreadPoolExecutor):
        def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
            synced.append(fn is os.fdatasync)
            return super().submit(fn, *args, **kwargs)

    with (tmp_path / "target").open("w+b") as file, Thread(1) as thread:
        output = Output(file.fileno(), Paced(file.fileno(), thread))
        for number in range(2 * SYNC_EVERY // DIRECT + 1):
            output.write(number * DIRECT, b"r" * DIRECT)
        output.finish()

        assert synced == [True, True]


def test_an_error_that_comes_with_syncing_is_not_lost() -> None:
    with ThreadPoolExecutor(1) as thread:
        pace = Paced(9999, thread)  # nothing is open there
        pace.wrote(SYNC_EVERY)

        with pytest.raises(OSError, match="Bad file descriptor"):
            pace.settle()
        pace.settle()
