"""The format is that of the Debian Policy Manual, 5.1, and of dpkg(1), "Package states"."""

import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from holdstill.workflow import dpkg_status

STATUS = b"""\
Package: gauge
Status: install ok installed
Architecture: arm64
Version: 1:2.3-1
Description: reads a tide gauge
 Version: 9 is in its description, and not a field
 .
 and so on

Package: gone
Status: deinstall ok config-files
Architecture: arm64
Version: 4.0-2

Package: held
Status: hold ok installed
Architecture: all
Version: 7

Package: half
Status: install reinstreq half-installed
Architecture: arm64
Version: 0.1

Package: never
Status: unknown ok not-installed
Architecture: arm64
"""


def test_what_is_there_counts_and_what_left_only_its_settings_does_not() -> None:
    assert dpkg_status.installed(STATUS) == {
        "gauge:arm64": "1:2.3-1",
        "held:all": "7",
        "half:arm64": "0.1",
    }


def test_the_last_paragraph_may_lack_its_empty_line() -> None:
    assert dpkg_status.installed(STATUS.partition(b"\n\n")[0]) == {"gauge:arm64": "1:2.3-1"}


@given(st.binary())
def test_any_bytes_are_read_without_a_complaint(content: bytes) -> None:
    assert isinstance(dpkg_status.installed(content), dict)


def test_more_packages_than_any_system_has_take_little_memory() -> None:
    content = b"".join(b"Package:%x\nStatus:i\nVersion:1\n\n" % n for n in range(400_000))
    tracemalloc.start()
    try:
        found = dpkg_status.installed(content)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert found is None
    assert peak < 16 << 20
