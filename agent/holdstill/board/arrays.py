"""Arrays (md) that run: what the kernel says of them (Linux Documentation/admin-guide/md.rst)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import layout
from holdstill.disks import md_superblock
from holdstill.errors import LayoutError
from holdstill.model import volume_check

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.disks.md_superblock import Found
    from holdstill.system.byte_source import ByteSource


def is_array(home: Path) -> bool:
    """Whether a device is one; home: its folder in /sys."""
    return (home / "md").is_dir()


def is_mirror(home: Path) -> bool:
    """Whether it is one of which each member has all, and whose members' superblocks we read."""
    return (
        layout.first_line(home / "md/level") == "raid1"
        and layout.first_line(home / "md/metadata_version") in volume_check.ARRAY_VERSIONS
    )


def of_member(holders: Sequence[str], *, sys: Path = layout.SYS) -> Path | None:
    """Return the folder in /sys of the array that something is a member of; None if of none."""
    return next((sys / "block" / one for one in holders if is_array(sys / "block" / one)), None)


def words(home: Path) -> str:
    """Return what an array is, for people."""
    level = layout.first_line(home / "md/level") or "of an unknown level"
    version = layout.first_line(home / "md/metadata_version")
    return f"/dev/{home.name} ({level}{f', metadata {version}' if version else ''})"


def member(source: ByteSource, home: Path, *, disks: Sequence[str]) -> Found:
    """Return what a member says of an array that can be made again with one member.

    Args:
        source: the member.
        home: the array's folder in /sys.
        disks: names of what is captured as a disk of its own.

    Raises:
        LayoutError: it cannot, and what can be done.
    """
    if not is_mirror(home):
        raise LayoutError(
            f"it is a member of the array {words(home)}, and only mirrors (raid1, metadata 1.0 to "
            f"1.2) can be made again: `disks: [auto, /dev/{home.name}]`, with all members in "
            "`leave_out`, has its files captured through the array, and a rebuild makes a plain "
            "file system of them"
        )
    if any((one / "partition").exists() for one in home.glob(f"{home.name}p*")):
        raise LayoutError(
            f"the array {words(home)} has partitions of its own, which are not read: "
            f"`disks: [auto, /dev/{home.name}]`, with all members in `leave_out`, captures it as "
            "a disk of its own"
        )
    if home.name in disks:
        raise LayoutError(f"the array {words(home)} is captured as a disk of its own")
    found = md_superblock.read(source)
    if found.member.version != layout.first_line(home / "md/metadata_version"):
        raise LayoutError(
            f"what is on it is not what the array {words(home)} says of itself: "
            "`mdadm --examine` and `mdadm --detail` tell more"
        )
    if found.level != md_superblock.MIRROR or found.is_reshaping:
        raise LayoutError(
            f"the array {words(home)} is being given another form: wait until /proc/mdstat says "
            "that it has it"
        )
    if not volume_check.is_array_name(found.member.name):
        raise LayoutError(
            f"the array {words(home)} is called {found.member.name!r}, and only letters, digits "
            "and _.:+@- can be written again: `mdadm --assemble --update=name` gives it another"
        )
    if not 1 <= found.member.members <= volume_check.MEMBERS_MAX:
        raise LayoutError(
            f"the array {words(home)} is to have {found.member.members} members, and at most "
            f"{volume_check.MEMBERS_MAX} can be written again"
        )
    return found
