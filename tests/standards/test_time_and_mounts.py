"""How moments and mount points are written: RFC 3339, proc(5) and fstab(5)."""

from __future__ import annotations

from datetime import datetime

import msgspec
import pytest

from holdstill.board import mounts
from holdstill.errors import SecurityError
from holdstill.keeper import sealing
from holdstill.model.layout import Disk, TableLabel
from holdstill.system import clocks
from support import cards


# RFC 3339, 5.8: both examples are the same moment; ours always has Z and whole seconds.
@pytest.mark.parametrize(
    ("example", "written"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1996-12-20T00:39:57Z", "1996-12-20T00:39:57Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27Z"),
    ],
)
def test_a_moment_is_written_in_utc_with_fixed_digits(example: str, written: str) -> None:
    moment = datetime.fromisoformat(example)

    assert clocks.rfc3339(moment) == written


# RFC 3339, 5.8: 1990-12-31T23:59:60Z is a moment. Python has no such second, and bending it to
# another one would be a lie: who presents it is told so.
def test_a_leap_second_in_a_manifest_is_refused() -> None:
    plain = cards.manifest_of(Disk(size=0, label=TableLabel.NONE), {})
    moment = msgspec.structs.replace(plain.moment, taken_at="1990-12-31T23:59:60Z")

    with pytest.raises(SecurityError, match="taken_at"):
        sealing.taken_at(msgspec.structs.replace(plain, moment=moment))


# proc(5), /proc/pid/mountinfo, and fstab(5): space, tab, newline and backslash are octal.
@pytest.mark.parametrize(
    ("escaped", "plain"),
    [
        (rb"/mnt/my\040disk", b"/mnt/my disk"),
        (rb"\011\012\134", b"\t\n\\"),
        (rb"/plain", b"/plain"),
        (rb"/a\134040b", rb"/a\040b"),
    ],
)
def test_mount_points_are_unescaped(escaped: bytes, plain: bytes) -> None:
    assert mounts.unescape(escaped) == plain
