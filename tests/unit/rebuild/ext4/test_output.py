from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.errors import TargetFailedError
from holdstill.rebuild.ext4.output import DIRECT, Output

if TYPE_CHECKING:
    from pathlib import Path

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
        output = Output(file.fileno())
        for gap, length, letter in writes:
            position += gap
            if position + length > SIZE:
                break
            output.write(position, letter * length)
            wanted[position : position + length] = letter * length
            position += length
        output.flush()

    assert path.read_bytes() == wanted


def test_a_cleared_range_reads_as_zeroes_and_takes_no_room(tmp_path: Path) -> None:
    path = tmp_path / "target"
    with path.open("w+b") as file:
        file.truncate(SIZE)
        output = Output(file.fileno())
        output.clear(0, SIZE)
        output.write(0, bytes(2 * DIRECT))
        output.flush()

    assert path.stat().st_blocks == 0


def test_a_target_that_takes_nothing_is_said_to_with_the_place() -> None:
    handle = os.open("/dev/full", os.O_RDWR)
    output = Output(handle)
    output.write(0, b"1.42 m")

    with pytest.raises(TargetFailedError, match="at byte 0: No space left") as caught:
        output.flush()

    os.close(handle)
    assert "card" in caught.value.hint
