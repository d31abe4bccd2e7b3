"""Which subvolumes of a btrfs are captured: none without all that it is in."""

from __future__ import annotations

import pytest

from holdstill.board.btrfs_subvolumes import chosen
from holdstill.board.found_subvolumes import FoundSubvolume


def volume(path: str, *, snapshot: bool = False, default: bool = False) -> FoundSubvolume:
    return FoundSubvolume(256, path.encode(), snapshot, is_read_only=False, is_default=default)


def taken(
    *found: FoundSubvolume, mounted: tuple[str, ...] = (), snapshots: bool = False
) -> list[str]:
    """Return the paths of what is captured."""
    ordered = sorted(found, key=lambda one: one.path.split(b"/"))
    places = {path.encode() for path in mounted}
    return [one.path.decode() for one in chosen(ordered, places, snapshots=snapshots)]


USUAL = (volume("@"), volume("@home"), volume("@/var/lib/machines"))
OLD = volume("old", snapshot=True)


def test_all_but_snapshots_whether_mounted_or_not() -> None:
    assert taken(*USUAL, OLD) == ["@", "@/var/lib/machines", "@home"]
    assert taken(*USUAL, OLD, snapshots=True) == ["@", "@/var/lib/machines", "@home", "old"]


def test_a_snapshot_that_is_mounted_or_the_default_is_no_mere_snapshot() -> None:
    assert taken(OLD, mounted=("old",)) == ["old"]
    assert taken(volume("old", snapshot=True, default=True)) == ["old"]


def test_what_is_in_a_snapshot_that_is_left_out_is_left_out_as_well() -> None:
    inner = volume("old/var/machines")

    assert taken(*USUAL, OLD, inner) == ["@", "@/var/lib/machines", "@home"]
    assert taken(OLD, inner, snapshots=True) == ["old", "old/var/machines"]
    # Of one that is mounted, what it is in is needed as well.
    assert taken(OLD, inner, mounted=("old/var/machines",)) == ["old", "old/var/machines"]


def test_what_is_in_one_without_a_name_in_text_is_not_captured() -> None:
    odd = FoundSubvolume(256, b"\xff", is_snapshot=False, is_read_only=False, is_default=False)
    inner = FoundSubvolume(
        257, b"\xff/in", is_snapshot=False, is_read_only=False, is_default=False
    )

    assert chosen([odd, inner], frozenset(), snapshots=True) == []


@pytest.mark.parametrize("path", ["a\nb", "a\x1b[31m"])
def test_a_name_that_could_do_something_to_a_terminal_is_no_text(path: str) -> None:
    assert taken(volume(path), volume("ab")) == ["ab"]
