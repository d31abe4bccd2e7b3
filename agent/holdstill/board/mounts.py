"""What is mounted, from mountinfo (proc(5))."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.model.paths import BoardPath

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

TEMPORARY_PLACES = ("/mnt", "/media", "/run", "/tmp")  # noqa: S108  places of the board
"""For what comes and goes (Filesystem Hierarchy Standard 3.0: 3.11, 3.12, 3.15 and 3.18)."""
MOUNTINFO = Path("/proc/self/mountinfo")
_ESCAPE = re.compile(rb"\\([0-7]{3})")


@dataclass(frozen=True)
class Mount:
    """One mount.

    Attributes:
        device: major and minor number; major 0 for file systems without one device.
        inside: which directory of the file system is mounted (not / for a bind mount).
        point: where.
        options: of the mount and of the file system, comma separated.
        type: the kernel's name of the file system.
        source: what was mounted, such as /dev/mmcblk0p2.
        id: the kernel's number of this mount; parent: of the one that it is mounted on.
        is_covered: whether no path leads to it, since something is mounted over it.
        is_bound_read_only: whether it is read-only, and its file system is not: others may write.
        is_of_a_file: whether it shows one file, as far as anybody has looked.
    """

    device: tuple[int, int]
    inside: BoardPath
    point: BoardPath
    options: str
    type: str
    source: str
    id: int = 0
    parent: int = 0
    is_covered: bool = False
    is_bound_read_only: bool = False
    is_of_a_file: bool = False

    @property
    def is_read_only(self) -> bool:
        """Whether nothing can be written to its file system, by whatever mount."""
        return "ro" in self.options.split(",") and not self.is_bound_read_only

    def option(self, name: str) -> str | None:
        """Return the value of an option such as upperdir=, or None."""
        for option in self.options.split(","):
            key, equals, value = option.partition("=")
            if key == name and equals:
                return value
        return None


def read_mounts(source: Path = MOUNTINFO) -> tuple[Mount, ...]:
    """Read the mounts of this process's namespace, in the order of mounting."""
    return parse_mountinfo(source.read_bytes())


def parse_mountinfo(text: bytes) -> tuple[Mount, ...]:
    """Understand mountinfo. Pure, so a recorded answer is a full test."""
    return with_covers([_parse_line(line) for line in text.splitlines() if line])


def with_covers(mounts: Sequence[Mount]) -> tuple[Mount, ...]:
    """Return mounts, in the same order, each marked as covered if one of these covers it. Pure."""
    by_id = {mount.id: mount for mount in mounts}
    on = dict[int, dict[bytes, list[Mount]]]()
    for mount in mounts:
        on.setdefault(mount.parent, {}).setdefault(mount.point.raw, []).append(mount)
    return tuple(replace(mount, is_covered=_is_covered(mount, by_id, on)) for mount in mounts)


def _is_covered(
    mount: Mount, by_id: dict[int, Mount], on: dict[int, dict[bytes, list[Mount]]]
) -> bool:
    """Whether a path that is looked up from the top meets another mount at, or on its way to, one.

    Args:
        mount: the one that a path should lead to.
        by_id: all mounts.
        on: those that are mounted on each, by point.
    """
    over_it = on.get(mount.id, {}).get(mount.point.raw, ())
    if any(other is not mount for other in over_it):
        return True
    while mount.parent in by_id and mount.parent != mount.id:
        there = on[mount.parent]
        on_the_way = (other for point in _way_to(mount.point) for other in there.get(point, ()))
        if any(other is not mount for other in on_the_way):
            return True
        mount = by_id[mount.parent]
    return False


def _way_to(point: BoardPath) -> Iterator[bytes]:
    """Yield the path of every directory on the way to one, and its own."""
    yield b"/"
    for at, byte in enumerate(point.raw):
        if at and byte == ord("/"):
            yield point.raw[:at]
    if point.raw != b"/":
        yield point.raw


def unescape(field: bytes) -> bytes:
    r"""Undo the octal escapes of mountinfo and fstab(5): \040 is a space."""
    return _ESCAPE.sub(lambda match: bytes([int(match[1], 8)]), field)


def _parse_line(line: bytes) -> Mount:
    left, _, right = line.partition(b" - ")
    fields, about = left.split(b" "), right.split(b" ")
    major, minor = fields[2].split(b":")
    options = [fields[5].decode(errors="surrogateescape")]
    if len(about) > 2:
        options.append(about[2].decode(errors="surrogateescape"))
    # Join option lists without repeats; ro anywhere wins over rw.
    names = [name for group in options for name in group.split(",")]
    if "ro" in names:
        names = [name for name in names if name != "rw"]
    united = ",".join(dict.fromkeys(names))
    return Mount(
        device=(int(major), int(minor)),
        inside=BoardPath(unescape(fields[3])),
        point=BoardPath(unescape(fields[4])),
        options=united,
        type=about[0].decode(errors="replace"),
        source=unescape(about[1]).decode(errors="surrogateescape"),
        id=int(fields[0]),
        parent=int(fields[1]),
        is_bound_read_only="ro" in options[0].split(",") and "ro" not in options[-1].split(","),
    )


def mount_of(path: BoardPath, mounts: tuple[Mount, ...]) -> Mount | None:
    """Return the mount that a path leads to: the longest point that nothing covers."""
    best = None
    for mount in mounts:
        is_on_the_way = is_below(path, mount.point) and not mount.is_covered
        if is_on_the_way and (best is None or len(mount.point.raw) >= len(best.point.raw)):
            best = mount
    return best


def is_temporary(place: str) -> bool:
    """Whether a place on the board is for what comes and goes."""
    return any(place == top or place.startswith(f"{top}/") for top in TEMPORARY_PLACES)


def is_below(path: BoardPath, top: BoardPath) -> bool:
    """Whether path is top or inside it."""
    prefix = top.raw.rstrip(b"/") + b"/"
    return path.raw == top.raw or path.raw.startswith(prefix) or top.raw == b"/"


def relative_to(path: BoardPath, top: BoardPath) -> BoardPath:
    """Return path as seen from top: /mnt/board/boot seen from /mnt/board is /boot."""
    return BoardPath(b"/" + path.raw[len(top.raw.rstrip(b"/")) :].lstrip(b"/"))


def joined(top: BoardPath, rest: BoardPath) -> BoardPath:
    """Return the path that top sees as rest: the other way round from `relative_to`."""
    return BoardPath(top.raw.rstrip(b"/") + rest.raw.rstrip(b"/") or b"/")
