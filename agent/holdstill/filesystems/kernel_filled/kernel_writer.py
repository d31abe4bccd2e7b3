"""xfs, btrfs and f2fs: made with default parameters, and filled by the kernel itself.

Kept are UUID and label, and of every entry what `kernel_populate` restores: contents with their
holes, types, names, hard links, owners, modes, times, extended attributes, access control lists,
inode flags, and of an xfs project ids and extent sizes; of a btrfs its subvolumes, which are
read-only, and which is the default one. NOT kept is how the file system is built: block and inode
sizes, features, limits of quotas, a realtime section, and reflinks; of a btrfs also what
snapshots share, and more than one device. An f2fs gets blocks of 4 KiB: a kernel with pages of 16
KiB does not mount it.

There is no library to fill these without the kernel. So this needs root, and a kernel that
mounts the kind: a private mount through a loop device, which works below an exclusive claim of
the whole card. Where that cannot be, the rebuild is refused before anything is written; but an
f2fs is loaded by its own tools then, with less of every entry kept: see `f2fs_sload`.
"""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import (
    CommandError,
    TargetFailedError,
    TargetRefusedError,
    VerificationError,
)
from holdstill.filesystems import writer_input
from holdstill.filesystems.kernel_filled import f2fs_sload, subvolume_trees
from holdstill.filesystems.kernel_filled.kernel_populate import Populator
from holdstill.filesystems.writer_input import NoCounter
from holdstill.model import paths
from holdstill.system import btrfs_twins, files, ioctl, loop_device, process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from holdstill.filesystems.kernel_filled.kernel_populate import PopulateFiles
    from holdstill.filesystems.kernel_filled.subvolume_trees import SubvolumeTree
    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.layout import Other
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.process import Runner

HOURS = 4 * 3600.0


@dataclass(frozen=True)
class FileSystemTools:
    """How one kind of file system is made and checked; both commands are followed by the device.

    Attributes:
        uuid, label: options of its mkfs.
        check: reads only, and fails when something is wrong.
        options: of the mount through which it is filled.
    """

    package: str
    mkfs: tuple[str, ...]
    uuid: tuple[str, ...]
    label: str
    check: tuple[str, ...]
    options: str

    def words(self, parameters: Other) -> tuple[str, ...]:
        """Return the arguments of mkfs for a file system with these parameters."""
        return (
            *self.mkfs,
            *(word.format(parameters.uuid) for word in self.uuid if parameters.uuid),
            *((self.label, parameters.label) if parameters.label else ()),
        )


KINDS = {
    # nouuid: the board's own may be mounted here, when a board rebuilds its own card.
    "xfs": FileSystemTools("xfsprogs", ("mkfs.xfs", "-q", "-f"), ("-m", "uuid={}"), "-L",
                ("xfs_repair", "-n"), "nouuid"),
    "btrfs": FileSystemTools("btrfs-progs", ("mkfs.btrfs", "-q", "-f"), ("-U", "{}"), "-L",
                  ("btrfs", "check", "--readonly"), "rw"),
    "f2fs": FileSystemTools("f2fs-tools", ("mkfs.f2fs", "-q", "-f"), ("-U", "{}"), "-l",
                 ("fsck.f2fs", "--dry-run"), "rw"),
}  # fmt: skip
_BTRFS_IN_USE = Path("/sys/fs/btrfs")


@dataclass(frozen=True)
class KernelFillResult:
    """What was written.

    Attributes:
        warnings: what could not be restored exactly, for people.
    """

    entries: int
    warnings: tuple[str, ...] = ()


def check_possible(parameters: Other, machine: Runner, *, number: int) -> None:
    """Refuse what this machine cannot make and fill, before anything is written.

    Raises:
        TargetRefusedError: naming what is in the way, and what would help.
    """
    kind = KINDS.get(parameters.type)
    if kind is None:
        raise TargetRefusedError(
            f"partition {number}: a {parameters.type} cannot be made",
            hint="its files are in the capture: see `holdstill get`; capture it raw next time",
        )
    if must_load(parameters, machine):
        process.require("sload.f2fs")
    elif obstacle := loop_device.obstacle(parameters.type, machine):
        raise TargetRefusedError(
            f"partition {number} is {parameters.type}, and {obstacle}",
            hint=f"run this as root on a machine whose kernel knows {parameters.type}; "
            "its files are in the capture: see `holdstill get`",
        )
    process.require("losetup", "mount", kind.mkfs[0], kind.check[0])
    if parameters.type == "btrfs" and (_BTRFS_IN_USE / parameters.uuid).exists():
        raise TargetRefusedError(
            f"partition {number}: a btrfs with UUID {parameters.uuid} is mounted on this machine",
            hint="the kernel would take one for the other: unmount it, or rebuild elsewhere",
        )


def must_load(parameters: Other, machine: Runner) -> bool:
    """Return whether tools have to fill this one, because the kernel cannot mount it."""
    is_root = os.geteuid() == 0  # a loop device needs root
    return parameters.type == "f2fs" and is_root and bool(loop_device.obstacle("f2fs", machine))


def make(
    target: Path,
    *,
    offset: int,
    size: int,
    parameters: Other,
    machine: Runner,
    owner: tuple[int, int] = (0, 0),
) -> None:
    """Make an empty file system with its own UUID and label at an offset in a target.

    Args:
        target: an image, or a device that the caller holds.
        offset: byte at which the partition begins.
        size: bytes of it.
        parameters: its kind, UUID and label.
        machine: runs its mkfs.
        owner: user and group of the root directory; counts for f2fs, filling sets the others'.

    Raises:
        TargetFailedError: its mkfs failed; its message states why.
    """
    kind = KINDS[parameters.type]
    with loop_device.attached(target, offset=offset, size=size, machine=machine) as device:
        try:
            alone = btrfs_twins.WITHOUT_OTHER_DISKS if parameters.type == "btrfs" else ()
            of_root = ("-R", f"{owner[0]}:{owner[1]}") if parameters.type == "f2fs" else ()
            machine.run(Command.of(*alone, *kind.words(parameters), *of_root, device, timeout=600))
        except CommandError as error:
            raise TargetFailedError(f"the {parameters.type} could not be made: {error}") from error


def populate(
    target: Path,
    *,
    offset: int,
    size: int,
    parameters: Other,
    entries: Iterable[Entry],
    again: Iterable[Entry],
    contents: ContentSource,
    heads: Mapping[bytes, bytes],
    machine: Runner,
    subvolumes: Sequence[SubvolumeTree] = (),
    progress: ByteCounter = NoCounter(),  # noqa: B008  it has no state
    pour: PopulateFiles = writer_input.copy,
) -> KernelFillResult:
    """Fill the new, empty file system at an offset in a target, and let its own tool check it.

    Args:
        target: an image, or a device that the caller holds.
        offset: byte at which the partition begins.
        size: bytes of it.
        parameters: as it was made.
        entries: in key order; contents are requested as they come.
        again: the same; no content is requested.
        contents: what is in the files.
        heads: what is at the beginning of files whose content was omitted, by path.
        machine: mounts and checks.
        subvolumes: of a btrfs; entries are those of its top then.
        progress: is called with every file.
        pour: puts a content into its file.

    Raises:
        TargetFailedError: it cannot be mounted or filled, or the check finds something.
        VerificationError: a content does not match its digest.
    """
    kind = KINDS[parameters.type]
    with loop_device.attached(target, offset=offset, size=size, machine=machine) as device:
        try:
            if must_load(parameters, machine):
                made, lost = f2fs_sload.load(
                    device, entries=entries, again=again, contents=contents, heads=heads,
                    machine=machine, progress=progress,
                )  # fmt: skip
                return KernelFillResult(made, lost)
            with loop_device.mounted(
                device, kind=parameters.type, options=kind.options, machine=machine
            ) as root:
                filler = _Filler(root, contents, heads, progress, pour)
                filler.fill(entries, again, subvolumes)
            machine.run(Command.of(*kind.check, device, timeout=HOURS))
        except CommandError as error:
            raise TargetFailedError(f"the {parameters.type} is not sound: {error}") from error
    return KernelFillResult(filler.made, tuple(filler.warnings))


@dataclass
class _Filler:
    """Fills a mounted file system, and the subvolumes that it makes in it."""

    root: int
    contents: ContentSource
    heads: Mapping[bytes, bytes]
    progress: ByteCounter
    pour: PopulateFiles
    made: int = 0
    warnings: list[str] = field(default_factory=list)

    def fill(
        self, entries: Iterable[Entry], again: Iterable[Entry], trees: Sequence[SubvolumeTree]
    ) -> None:
        """Fill all trees; directories get their times when nothing is made in them any more."""
        with ExitStack() as undo:
            top = self._populator(self.root, self.heads)
            top.fill(entries)
            opened = []
            for tree in subvolume_trees.in_order(trees):
                handle = self._made(tree)
                undo.callback(os.close, handle)
                populator = self._populator(handle, tree.heads)
                populator.fill(tree.entries())
                opened.append((handle, tree, populator))
            for handle, tree, populator in reversed(opened):
                populator.finish(tree.again())
                if tree.kind.is_default:
                    ioctl.btrfs_make_default(self.root, ioctl.btrfs_id(handle))
            top.finish(again)
            for handle, tree, _ in opened:
                if tree.kind.is_read_only:
                    ioctl.btrfs_make_read_only(handle)
            for populator in (top, *(populator for _, _, populator in opened)):
                self.made += populator.entries
                self.warnings += populator.warnings

    def _populator(self, root: int, heads: Mapping[bytes, bytes]) -> Populator:
        return Populator(root, self.contents, heads, self.progress, self.pour)

    def _made(self, tree: SubvolumeTree) -> int:
        """Make a subvolume, and return its open top.

        Raises:
            VerificationError: what it is in was not captured.
            TargetFailedError: the kernel refuses.
        """
        directory, name = paths.split(tree.path)
        try:
            above = files.open_beneath(self.root, directory, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            raise VerificationError(
                f"subvolume {tree.kind.path} is in {paths.display(directory)!r}, which is no "
                "directory in the capture"
            ) from error
        try:
            ioctl.btrfs_make_subvolume(above, name)
            return os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=above)
        except OSError as error:
            raise TargetFailedError(
                f"subvolume {tree.kind.path} could not be made: {error}"
            ) from error
        finally:
            os.close(above)
