"""Which mount a path leads to, where some cover others: mountinfo as the kernel writes it."""

from __future__ import annotations

import pytest

from holdstill.board import freeze_order, mounts
from holdstill.board.mounts import Mount
from holdstill.model.paths import BoardPath

BOARD = b"""\
21 1 179:2 / / rw,noatime shared:1 - ext4 /dev/root rw
30 21 179:3 / /data rw - ext4 /dev/mmcblk0p3 rw
31 30 179:5 / /data/deep rw - xfs /dev/mmcblk0p5 rw
40 21 179:6 / /srv rw - ext4 /dev/mmcblk0p6 rw
41 21 179:7 / /srv2 rw - ext4 /dev/mmcblk0p7 rw
"""
"""Lines of proc_pid_mountinfo(5)."""


def covered(*more: bytes) -> list[str]:
    found = mounts.parse_mountinfo(BOARD + b"\n".join(more))
    return [str(mount.device[1]) for mount in found if mount.is_covered]


@pytest.mark.parametrize(
    ("more", "below"),
    [
        ([], []),
        ([b"50 40 0:50 / /srv rw - tmpfs x rw"], ["6"]),  # on the same place
        ([b"50 40 0:50 / /srv/in rw - tmpfs x rw"], []),  # in it
        ([b"50 30 0:50 / /data rw - tmpfs x rw"], ["3", "5"]),  # with all that is mounted in it
        ([b"50 31 0:50 / /data/deep rw - tmpfs x rw"], ["5"]),
        ([b"50 21 0:50 / / rw - overlay x rw"], ["2", "3", "5", "6", "7"]),  # the root itself
        (
            [b"50 40 0:50 / /srv rw - tmpfs x rw", b"51 50 0:51 / /srv rw - tmpfs y rw"],
            ["6", "50"],
        ),
        # A folder on the way to it: the path does not even begin.
        ([b"50 30 0:50 / /data/deep2 rw - tmpfs x rw"], []),
        ([b"60 21 179:8 / /a/b rw - ext4 x rw", b"61 21 0:50 / /a rw - tmpfs x rw"], ["8"]),
    ],
)
def test_what_covers_a_mount(more: list[bytes], below: list[str]) -> None:
    assert covered(*more) == below


def test_a_path_leads_to_what_covers() -> None:
    found = mounts.parse_mountinfo(BOARD + b"50 30 0:50 / /data rw - tmpfs x rw\n")

    def leads_to(path: bytes) -> tuple[int, int] | None:
        mount = mounts.mount_of(BoardPath(path), found)
        return mount.device if mount else None

    assert leads_to(b"/data/deep/file") == (0, 50)
    assert leads_to(b"/data") == (0, 50)
    assert leads_to(b"/srv/file") == (179, 6)
    assert leads_to(b"/srv2/file") == (179, 7)


def test_the_first_mount_may_be_its_own_parent() -> None:
    """As the kernel has it for its first root file system (Linux fs/namespace.c)."""
    (only,) = mounts.parse_mountinfo(b"1 1 0:2 / / rw - rootfs rootfs rw\n")

    assert not only.is_covered


def test_a_backing_file_may_be_on_what_is_covered() -> None:
    """It was opened before that was covered: the kernel goes on telling the old path."""
    found = mounts.parse_mountinfo(BOARD + b"50 30 7:0 / /data rw - ext4 /dev/loop0 rw\n")

    assert freeze_order.holders(BoardPath(b"/data/card.img"), found) == {(7, 0), (179, 3)}


def test_a_mount_that_nobody_numbered_is_not_covered() -> None:
    plain = Mount((0, 0), BoardPath(b"/"), BoardPath(b"/x"), "rw", "directory", "/x")

    assert mounts.with_covers([plain]) == (plain,)


@pytest.mark.parametrize(
    ("line", "is_read_only", "is_bound"),
    [
        (b"1 0 0:30 /@ / ro,noatime - btrfs /dev/mmcblk0p2 ro,subvol=/@", True, False),
        (b"1 0 0:30 /@ / ro,noatime - btrfs /dev/mmcblk0p2 rw,subvol=/@", False, True),
        (b"1 0 0:30 /@ / rw,noatime - btrfs /dev/mmcblk0p2 ro,subvol=/@", True, False),
        (b"1 0 0:30 /@ / rw - btrfs /dev/mmcblk0p2 rw", False, False),
    ],
)
def test_what_is_read_only_is_the_file_system_not_the_mount(
    line: bytes, *, is_read_only: bool, is_bound: bool
) -> None:
    (mount,) = mounts.parse_mountinfo(line)

    assert (mount.is_read_only, mount.is_bound_read_only) == (is_read_only, is_bound)
