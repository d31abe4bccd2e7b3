from __future__ import annotations

import pytest

from holdstill.board import scan


@pytest.mark.parametrize(
    ("options", "minutes_west", "hours"),
    [
        # Linux Documentation/filesystems/vfat.rst: tz=UTC, time_offset=minutes (+60 is UTC+1);
        # without either, the kernel's own zone counts.
        ("rw,relatime,fmask=0022,iocharset=ascii,shortname=mixed,errors=remount-ro", 0, 0),
        ("rw,relatime", -60, -1),
        ("rw,relatime", 300, 5),
        ("rw,tz=UTC", -60, 0),
        ("rw,time_offset=60", 0, -1),
        ("rw,time_offset=-90", 300, 1.5),
    ],
)
def test_times_on_a_mounted_fat_are_brought_back_to_what_is_on_it(
    options: str, minutes_west: int, hours: float
) -> None:
    shift = scan.fat_shift_ns(options, minutes_west=minutes_west)

    assert shift == hours * 3600 * 1_000_000_000
