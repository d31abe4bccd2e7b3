from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from holdstill.schedule.zone import LocalZone

DATABASE = Path("/usr/share/zoneinfo")
SUMMER = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)


def hour(zone: LocalZone) -> int:
    return SUMMER.astimezone(zone()).hour


def test_the_zone_is_read_from_what_localtime_points_to(tmp_path: Path) -> None:
    localtime = tmp_path / "localtime"
    localtime.symlink_to(DATABASE / "Europe/Berlin")

    assert hour(LocalZone(localtime)) == 14


def test_a_zone_that_is_set_anew_is_noticed_and_only_then_another_object(tmp_path: Path) -> None:
    localtime = tmp_path / "localtime"
    localtime.symlink_to(DATABASE / "Europe/Berlin")
    zone = LocalZone(localtime)
    first, again = zone(), zone()

    localtime.unlink()
    localtime.symlink_to(DATABASE / "Asia/Tokyo")

    assert first is again
    assert hour(zone) == 21
    assert zone() is not first


def test_a_copy_does_as_well_as_a_link(tmp_path: Path) -> None:
    localtime = tmp_path / "localtime"
    localtime.write_bytes((DATABASE / "Asia/Kathmandu").read_bytes())

    assert SUMMER.astimezone(LocalZone(localtime)()).strftime("%H:%M") == "17:45"


def test_without_a_zone_or_with_a_broken_one_it_is_utc(tmp_path: Path) -> None:
    broken = tmp_path / "localtime"
    broken.write_bytes(b"no zone at all")

    assert hour(LocalZone(tmp_path / "missing")) == 12
    assert hour(LocalZone(broken)) == 12
