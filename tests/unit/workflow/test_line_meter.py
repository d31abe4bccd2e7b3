from __future__ import annotations

from contextlib import ExitStack

import pytest

from holdstill.errors import LinkError
from holdstill.workflow import line_meter
from holdstill.workflow.line_meter import LineMeter
from support.keeping import FakeClock

MIB = 1 << 20


def passed(meter: LineMeter, clock: FakeClock, count: int, seconds: float) -> None:
    with meter.sending() as sent:
        clock.advance(seconds)
        sent(count)


def cut_after(clock: FakeClock, seconds: float) -> None:
    clock.advance(seconds)
    raise LinkError("cut")


def test_a_transfer_measures_the_line() -> None:
    meter = LineMeter(clock := FakeClock())

    passed(meter, clock, 4 * MIB, 32.0)

    assert (meter.rate, meter.measured) == (MIB / 8, MIB / 8)


def test_two_transfers_at_a_time_are_one_line() -> None:
    meter = LineMeter(clock := FakeClock())

    # One begins in the middle of the other; each has half of the line.
    turns = [ExitStack(), ExitStack()]
    turns[0].enter_context(meter.sending())(2 * MIB)
    for number in range(1, 13):
        clock.advance(10.0)
        turns[number % 2].enter_context(meter.sending())(2 * MIB)
        clock.advance(10.0)
        turns[(number + 1) % 2].close()

    assert meter.rate == pytest.approx(MIB / 10, rel=0.1)


def test_logins_with_next_to_nothing_behind_them_measure_nothing() -> None:
    meter = LineMeter(clock := FakeClock(), 5000.0)

    for _ in range(100):
        passed(meter, clock, 4000, 0.8)

    assert (meter.rate, meter.measured) == (5000.0, 0.0)


def test_a_transfer_that_breaks_measures_nothing() -> None:
    meter = LineMeter(clock := FakeClock())

    with pytest.raises(LinkError), meter.sending():
        cut_after(clock, 90.0)
    assert meter.rate == 0
    passed(meter, clock, MIB, 8.0)

    assert meter.rate == MIB / 8


@pytest.mark.parametrize(
    ("rate", "bytes_", "files"),
    [
        (0.0, 8 * MIB, 1000),  # not known
        (4096.0, 512 << 10, 128),
        (125_000.0, 3_750_000, 915),  # 1 Mbit/s
        (1e8, 256 * MIB, 2000),
    ],
)
def test_a_batch_takes_about_half_a_minute(rate: float, bytes_: int, files: int) -> None:
    meter = LineMeter(FakeClock(), rate)

    assert (meter.batch_bytes, meter.batch_files) == (bytes_, files)
    assert line_meter.BATCH_SECONDS == 30
