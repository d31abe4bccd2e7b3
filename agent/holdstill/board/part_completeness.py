"""What of the captured disks themselves is not in a capture, or could not be rebuilt. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import mounts
from holdstill.board.named_finding import NamedFinding, left_out, missing, not_rebuildable
from holdstill.model.layout import (
    ARRAY,
    DISK_STEP,
    SUBVOLUME_STEP,
    VOLUME_BASE,
    ArrayMember,
    Ext4,
    Luks,
    LvmPv,
    Other,
    Raw,
)
from holdstill.model.sizes import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.board_facts import (
        BoardFacts,
        DiskFacts,
        ExcludedTree,
        PartFacts,
        Subvolume,
    )

SUBVOLUMES_NAMED = 50
"""Subvolumes of a partition that get a finding each; the rest is counted."""
LOST_FEATURES = {
    "bigalloc": "clusters of several blocks cannot be written",
    "casefold": "which directories ignore case, and by which encoding, is not kept",
    "encrypt": "files come back in the clear, without their policies and keys",
    "verity": "the files' verity is not kept",
    "compression": "compressed files cannot be read",
}
"""Features of an ext4 or f2fs with which something is lost, and what."""
_SHOWN_BY = {
    "ext4": "`tune2fs -l` shows the features",
    "f2fs": "`dump.f2fs` shows the features",
}
_PROJECT_OPTIONS = frozenset({"prjquota", "pquota", "pqnoenforce"})
_QUOTA_OPTIONS = _PROJECT_OPTIONS | {
    "quota", "usrquota", "uquota", "uqnoenforce", "grpquota", "gquota", "gqnoenforce",
}  # fmt: skip
"""Mount options with which an xfs counts, and may limit, what is used (xfs(5)); f2fs has three of
them (Linux Documentation/filesystems/f2fs.rst)."""

_JOURNAL_OPTIONS = ("journal_path=", "journal_dev=")
"""Options of an ext4 that say where its journal is (ext4(5)). A journal inside as well: the kernel
logs "filesystem has both journal inode and journal device!" (seen on 6.1)."""


def judge(facts: BoardFacts) -> Iterator[NamedFinding]:
    """Judge the captured disks' own content."""
    for part in facts.parts:
        if part.twin:
            yield left_out(
                part.device,
                f"it is, or was, of the same mirror as partition {part.twin}, with which the "
                "mirror's content is captured; a rebuild leaves it empty",
            )
            continue
        if part.is_left_out:
            yield missing(part.device, "nothing of this partition is captured", "", part.place)
            continue
        yield from _holders(part)
        yield from _covered(part)
        yield from _directory_only(facts, part)
        yield from _subvolumes(facts, part)
        yield from _group(facts, part)
        yield from _members(part)
        yield from _features(part)
    yield from _named_journals(facts)
    for tree in facts.excluded:
        yield _excluded(tree)
    for disk in facts.disks:
        yield from _around(disk)


def _excluded(tree: ExcludedTree) -> NamedFinding:
    """Tell of a whole file system, or a folder that is mounted, that a pattern leaves out."""
    mounted = f"{tree.folder} of {tree.device}" if tree.folder else tree.device
    if tree.is_kept:
        why = (
            f"it is captured although `exclude` has {tree.pattern}, for it is seen elsewhere as "
            "well, or / is on the same file system"
        )
    else:
        why = f"all that is in there stays out, for `exclude` has {tree.pattern}"
    return left_out(tree.place, f"{mounted}: {why}")


def _around(disk: DiskFacts) -> Iterator[NamedFinding]:
    for gap in disk.gaps:
        where = f"after partition {gap.after}" if gap.after else "before the first partition"
        yield missing(
            f"{disk.device}, {where}",
            f"bytes {gap.start:,} to {gap.end:,}, outside all partitions, are not empty: a boot "
            "loader's, or left from earlier use",
            "ask whoever made the image whether the board boots from there",
        )
    for area in disk.boot_areas:
        yield missing(
            area.device,
            "an area of the eMMC beside its sectors, not empty, and boards boot from such: "
            f"{area.why}",
            f"keep a copy: dd if={area.device} of=FILE",
        )
    if disk.has_protected_memory:
        yield left_out(
            f"{disk.device}rpmb",
            "replay protected memory of the eMMC, which only the firmware that has its key can "
            "read, and no other eMMC would take",
        )


def _holders(part: PartFacts) -> Iterator[NamedFinding]:
    if isinstance(part.file_system, Raw) and part.file_system.type == ARRAY:
        return  # a member of one that runs is refused
    if (
        part.holders
        and part.is_raw
        and not isinstance(part.file_system, LvmPv | Luks | ArrayMember)
    ):
        held = ", ".join(f"/dev/{name}" for name in part.holders)
        yield missing(
            part.device,
            f"it is in use as {held}: what is in there is not captured by files, and its bytes "
            "are copied while they change",
            "the copy may be of no use",
            *(f"/dev/{name}" for name in part.holders),
        )


def _covered(part: PartFacts) -> Iterator[NamedFinding]:
    """Find a file system to whose mount no path leads, and that could not be opened otherwise."""
    if part.mount is None or isinstance(part.file_system, Raw):
        return
    if not part.mount.is_covered or not part.is_raw:
        return
    yield missing(
        part.device,
        f"it is mounted at {part.mount.point}, another mount covers it, and it could not be "
        "opened: its bytes are copied while they may change",
        f"unmount what covers {part.mount.point}; the copy may be of no use",
        str(part.mount.point),
    )


def _directory_only(facts: BoardFacts, part: PartFacts) -> Iterator[NamedFinding]:
    """Find a partition of which only a directory is captured."""
    if part.mount is None or part.is_whole or part.is_raw or part.mount.inside.raw == b"/":
        return
    inside = str(part.mount.inside)
    if any(inside == volume.path for volume in part.subvolumes):
        return
    others = ", ".join(
        mounted.place
        for mounted in facts.mounts
        if mounted.number == part.id
        and not mounts.is_below(mounted.mount.inside, part.mount.inside)
    )
    shown = f"; of that is mounted: {others}" if others else ""
    yield missing(
        part.device,
        f"only {inside} of it is mounted, at {part.place}, and captured; what is beside {inside} "
        f"is not{shown}",
        f"mount the whole of {part.device} somewhere, and see `holdstill inspect`",
    )
    yield not_rebuildable(
        f"{part.device}: {inside}",
        f"a rebuild puts what is in {inside} at the top of the partition, where nobody looks for "
        "it",
        "files can be taken out with `holdstill get`",
    )


def _subvolumes(facts: BoardFacts, part: PartFacts) -> Iterator[NamedFinding]:
    """Find the subvolumes of a btrfs that are not the captured one."""
    if part.is_raw:
        return
    others = [volume for volume in part.subvolumes if not volume.is_captured]
    for volume in others[:SUBVOLUMES_NAMED]:
        yield _subvolume(facts, part, volume)
    rest = others[SUBVOLUMES_NAMED:]
    if rest:
        snapshots = sum(volume.is_snapshot for volume in rest)
        what = f"{part.device}: further subvolumes"
        why = (
            f"{len(rest)} more subvolumes, {counted(snapshots, 'snapshot')} among them, from "
            f"{rest[0].path} on, are not in the capture"
        )
        if part.is_whole and snapshots == len(rest):
            yield left_out(what, why)
        else:
            yield missing(what, why, "`btrfs subvolume list` names them")
    own = str(part.mount.inside) if part.mount else ""
    if not part.is_whole and any(volume.path == own for volume in part.subvolumes):
        yield not_rebuildable(
            f"{part.device}: subvolume {own}",
            f"a rebuild puts its files at the top of the file system: subvol={own} leads nowhere, "
            "and what was beside it at the top is not there",
            "after a rebuild, take subvol= out of fstab and of the kernel's command line",
        )


def _subvolume(facts: BoardFacts, part: PartFacts, volume: Subvolume) -> NamedFinding:
    places = [
        mounted.place
        for mounted in facts.mounts
        if mounted.number == part.id and str(mounted.mount.inside) == volume.path
    ]
    where = f"mounted at {', '.join(places)}" if places else "not mounted by itself"
    kind = "snapshot" if volume.is_snapshot else "subvolume"
    what = f"{part.device}: {kind} {volume.path}"
    why = f"a {kind} of the btrfs on {part.device}, {where}"
    left = [one.path for one in part.subvolumes if one.is_snapshot and not one.is_captured]
    is_within = any(volume.path.startswith(f"{path}/") for path in left)
    if part.is_whole and (volume.is_snapshot or is_within):
        asked = f"{why}; `snapshots: true` in the settings captures snapshots as well"
        return left_out(what, asked, volume.path)
    number = str(part.number * SUBVOLUME_STEP + volume.id)
    label = f"{part.number}:{volume.path.lstrip('/')}"
    names = (volume.path, label, number, *places, *_seen_at(facts, part, volume))
    return missing(what, why, "copy it by other means", *names)


def _seen_at(facts: BoardFacts, part: PartFacts, volume: Subvolume) -> Iterator[str]:
    """Yield where a subvolume that is not mounted itself is seen within others that are."""
    for mounted in facts.mounts:
        inside = str(mounted.mount.inside).rstrip("/")
        if mounted.number == part.id and volume.path.startswith(f"{inside}/"):
            yield f"{mounted.place.rstrip('/')}{volume.path[len(inside) :]}"


def _group(facts: BoardFacts, part: PartFacts) -> Iterator[NamedFinding]:
    """Find a volume group whose physical volumes are not all here, or not each by itself."""
    group = part.file_system
    if not isinstance(group, LvmPv):
        return
    what = f"{part.device}: volume group {group.group}"
    here = [
        one
        for one in facts.parts
        if isinstance(one.file_system, LvmPv)
        and one.file_system.group_uuid == group.group_uuid
        and one.number // DISK_STEP == part.number // DISK_STEP
    ]
    if len(here) < group.members:
        yield not_rebuildable(
            what,
            f"it has {group.members} physical volumes, {len(here)} of them on this disk, and only "
            "groups on one disk can be made again",
            "`rebuild --disk all` makes it on one, if all its disks are captured; files can be "
            "taken out with `holdstill get`",
        )
    is_chained = facts.disks[part.number // DISK_STEP].has_logical
    if group.spanning and (is_chained or any(map(_is_within, here))):
        names = ", ".join(group.spanning)
        yield not_rebuildable(
            what,
            f"{names}: of what is on several physical volumes, a rebuild makes one partition, and "
            "cannot where one of them is in another volume, or the disk has logical partitions",
            "`pvmove -n NAME` brings one onto one partition, if there is room (pvmove(8)); files "
            "can be taken out with `holdstill get`",
        )


def _is_within(part: PartFacts) -> bool:
    """Whether it is no partition, but a volume in one."""
    return part.number % DISK_STEP > VOLUME_BASE


def _members(part: PartFacts) -> Iterator[NamedFinding]:
    others = [name for name in part.members if f"/dev/{name}" != part.device]
    if others:
        shown = ", ".join(f"/dev/{name}" for name in others)
        yield not_rebuildable(
            f"{part.device}: several devices",
            f"its btrfs is spread over {shown} as well; a rebuild puts its files on one device",
            "see that the target has room for all of it",
        )


def _features(part: PartFacts) -> Iterator[NamedFinding]:
    if isinstance(part.file_system, Ext4 | Other) and not part.is_raw:
        kind = "ext4" if isinstance(part.file_system, Ext4) else part.file_system.type
        for feature in part.file_system.features:
            lost = LOST_FEATURES.get(feature)
            if lost is None and feature.startswith("FEATURE_"):
                lost = "nobody here knows this feature"
            if lost:
                yield not_rebuildable(
                    f"{part.device}: {feature}", f"an {kind} with {feature}: {lost}",
                    _SHOWN_BY.get(kind, ""), f"{part.place}: {feature}",
                )  # fmt: skip
            if feature == "quota":
                yield _limits(part)
    if part.mount and part.mount.type in {"xfs", "f2fs"}:
        yield from _by_options(part, part.mount.type, part.mount.options.split(","))


def _named_journals(facts: BoardFacts) -> Iterator[NamedFinding]:
    """Find ext4 file systems that fstab mounts with a journal that a rebuild does not make."""
    for entry in facts.fstab:
        named = [option for option in entry.options if option.startswith(_JOURNAL_OPTIONS)]
        if named:
            yield not_rebuildable(
                f"{entry.point}: journal",
                f"fstab mounts it with {named[0]}, and a rebuild makes the journal inside: with "
                "both, the kernel mounts nothing",
                f"take {named[0]} out of fstab: the file system knows its journal (tune2fs -l)",
            )


def _by_options(part: PartFacts, kind: str, options: list[str]) -> Iterator[NamedFinding]:
    """Find what a mounted xfs or f2fs has beside its files."""
    if kind == "f2fs" and _PROJECT_OPTIONS.intersection(options):
        yield not_rebuildable(
            f"{part.device}: project", "an f2fs with project quota: project ids are not kept",
            "write down /etc/projects and set them up again", f"{part.place}: project",
        )  # fmt: skip
    if _QUOTA_OPTIONS.intersection(options):
        yield _limits(part)
    section = [option.removeprefix("rtdev=") for option in options if option.startswith("rtdev=")]
    if section:
        yield not_rebuildable(
            f"{part.device}: realtime",
            f"an xfs with a realtime section on {section[0]}: a rebuild puts all files into the "
            "data section, and which directories prefer the other is not kept",
            "see that the target has room for all of it", f"{part.place}: realtime",
        )  # fmt: skip


def _limits(part: PartFacts) -> NamedFinding:
    if part.mount and part.mount.type == "xfs":
        advice = (
            f"write them down with `xfs_quota -x -c 'dump -u -f FILE' {part.place}`, and with -g "
            "and -p; `restore` sets them again (xfs_quota(8))"
        )
    else:
        advice = f"`repquota -ugP {part.device}` shows them, setquota(8) sets them"
    return not_rebuildable(
        f"{part.device}: quota",
        "its quotas: how much a user, group or project may use is in the file system, not in its "
        "files, and is not kept; what they use is counted anew",
        advice, f"{part.place}: quota",
    )  # fmt: skip
