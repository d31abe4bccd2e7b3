"""Places that are refused for a store, by lines of mountinfo as the kernel writes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.board import mounts
from holdstill.model.sizes import MIB
from holdstill.workflow import store_place

if TYPE_CHECKING:
    from pathlib import Path

ROOT = b"20 1 8:1 / / rw,relatime - ext4 /dev/sda1 rw\n"


def refusals(folder: Path, line: str, *, min_free: int = 0) -> list[str]:
    """Return what is said of a store below a folder, which is mounted as a line says."""
    text = ROOT + f"30 20 0:50 / {folder} {line}\n".encode()
    found = store_place.obstacles(
        folder / "holdstill", mounts.parse_mountinfo(text), min_free=min_free, min_free_inodes=0
    )
    return [f"{error}; {error.hint}" for error in found]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("rw - vfat /dev/sdb1 rw", "it knows no owners and no permissions"),
        ("rw - exfat /dev/sdb1 rw", "it knows no owners and no permissions"),
        ("rw - tmpfs tmpfs rw", "it is memory"),
        ("rw - fuse.sshfs nas:/ rw,user_id=0", "no locks reach the other machine"),
        # nfs(5): nolock, local_lock, soft; mount.cifs(8): nobrl.
        ("rw - nfs4 nas:/x rw,vers=4.2,nolock,hard", "locks stay on this one"),
        ("rw - nfs nas:/x rw,vers=3,hard,local_lock=all", "locks stay on this one"),
        ("rw - nfs4 nas:/x rw,soft", "may be lost when the network is slow"),
        ("rw - cifs //nas/x rw,nobrl,soft", "locks stay on this one"),
        ("ro - ext4 /dev/sdb1 ro", "that is read-only"),
    ],
)
def test_a_place_where_captures_would_be_lost_is_refused(
    tmp_path: Path, line: str, told: str
) -> None:
    (said,) = refusals(tmp_path, line)

    assert told in said
    assert str(tmp_path) in said


@pytest.mark.parametrize(
    "line",
    [
        "rw - ext4 /dev/sdb1 rw",
        "rw - btrfs /dev/sdb1 rw",
        "rw - nfs4 nas:/x rw,vers=4.2,hard,local_lock=none",
        "rw - cifs //nas/x rw,soft",
    ],
)
def test_other_places_are_not(tmp_path: Path, line: str) -> None:
    assert refusals(tmp_path, line) == []


def test_a_full_disk_is_refused_with_what_is_free_there(tmp_path: Path) -> None:
    (said,) = refusals(tmp_path, "rw - ext4 /dev/sdb1 rw", min_free=1 << 60)

    assert "is full" in said
    assert refusals(tmp_path, "rw - ext4 /dev/sdb1 rw", min_free=MIB) == []


def test_a_network_file_system_that_would_do_gets_a_word(tmp_path: Path) -> None:
    text = ROOT + f"30 20 0:50 / {tmp_path} rw - nfs4 nas:/x rw,hard\n".encode()

    said = store_place.remarks(tmp_path / "holdstill", mounts.parse_mountinfo(text))

    assert "a keeper on that machine itself would be faster" in said[0]
