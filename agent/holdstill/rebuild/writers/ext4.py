"""ext2, ext3 and ext4: made empty by mke2fs and tune2fs, filled through libext2fs, never mounted.

mke2fs refuses a device that somebody holds, and that is how we keep a card to ourselves. So the
empty file system is made in a scratch file, and what it wrote there is copied to its place.
"""

from __future__ import annotations

import os
import re
import stat
import tempfile
from bisect import bisect_right
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import CommandError, PreflightError, TargetFailedError, TargetRefusedError
from holdstill.rebuild import splice
from holdstill.rebuild.ext4 import filling, geometry, volume
from holdstill.rebuild.ext4.library import Run
from holdstill.rebuild.sources import Silence
from holdstill.system import files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from holdstill.model.layout import Ext4
    from holdstill.rebuild.ext4.filling import Filled
    from holdstill.rebuild.ext4.geometry import Geometry
    from holdstill.rebuild.sources import Contents, Entries, Progress
    from holdstill.system.process import Runner

MIB = 1 << 20
NO_SETTINGS = (("MKE2FS_CONFIG", "/dev/null"),)
"""What this machine's mke2fs.conf prefers must not get into a board's file system."""
MOUNT_DEFAULTS = (
    "debug", "bsdgroups", "user_xattr", "acl", "uid16", "nobarrier", "block_validity", "discard",
    "nodelalloc",
)  # fmt: skip
"""Default mount options that can be on or off: tune2fs(8), -o."""
MOUNT_OPTIONS = re.compile(r"[A-Za-z0-9_=,.:/@%+-]+")
SIGNATURES = 1 << 20
"""Bytes at either end of a partition where file systems put what they are known by."""
QUOTA = frozenset({"quota", "project"})
FAST_COMMIT_SHARE = 64
"""mke2fs gives fast commits a 64th of the journal, on top."""
_CHECK_SECONDS = 6 * 60 * 60.0
_REFUSED_FEATURES = {
    "bigalloc": "clusters of blocks (bigalloc)",
    "journal_dev": "a journal for other file systems",
    "shared_blocks": "blocks that belong to several files",
    "mmp": "a guard against being mounted twice (mmp)",
}


def check(parameters: Ext4) -> None:
    """Refuse what cannot be rebuilt.

    Raises:
        TargetRefusedError: the file system uses a feature that we do not rebuild.
    """
    for feature, meaning in _REFUSED_FEATURES.items():
        if feature in parameters.features:
            raise TargetRefusedError(
                f"an ext4 with {meaning} cannot be rebuilt file by file",
                hint="capture this partition raw",
            )


def make(target: Path, *, offset: int, size: int, parameters: Ext4, machine: Runner) -> Ext4:
    """Make an empty file system with these parameters at an offset in a target.

    Returns them as they became: mke2fs rounds the number of inodes up, and leaves out a last
    group of blocks that is too small to be one.

    Args:
        target: an image or a device; a device may be held (O_EXCL) by the caller.
        offset: byte at which the partition begins.
        size: bytes of the partition.
        parameters: blocks, inodes and reserved blocks included; see rebuild.planner.
        machine: runs mke2fs and tune2fs.

    Raises:
        TargetRefusedError: it does not fit, or has a feature that we do not rebuild.
        PreflightError: this machine's e2fsprogs cannot make it.
        TargetFailedError: the target cannot be written.
    """
    check(parameters)
    wanted = parameters.blocks * parameters.block_size
    if wanted > size:
        raise TargetRefusedError(f"an ext4 of {wanted} bytes does not fit a partition of {size}")
    with tempfile.TemporaryDirectory(prefix="holdstill-ext4-") as folder:
        scratch = Path(folder) / "empty"
        made = format_file(scratch, parameters=parameters, machine=machine)
        try:
            _place(scratch, target, offset, size)
        except OSError as error:
            raise TargetFailedError(
                f"cannot write an empty ext4 to {target}: {error.strerror}"
            ) from error
    return msgspec.structs.replace(parameters, blocks=made.blocks, inodes=made.inodes)


def format_file(path: Path, *, parameters: Ext4, machine: Runner) -> Geometry:
    """Make a file that holds an empty file system; holes stay holes. Return what became of it.

    Raises:
        PreflightError: this machine's e2fsprogs cannot make it.
    """
    with path.open("wb") as image:
        image.truncate(parameters.blocks * parameters.block_size)
    try:
        for command in commands(path, parameters):
            machine.run(command)
    except CommandError as error:
        raise PreflightError(
            f"this machine cannot make the board's ext4: {error}",
            hint="its features are newer than this machine's e2fsprogs, or it is too small",
        ) from error
    with files.opened(path) as image:
        made = geometry.read(image, offset=0)
    if "has_journal" in parameters.features and not made.has_journal:
        # In a file system that is too small mke2fs leaves the journal out without a word.
        raise PreflightError(
            f"an ext4 of {parameters.blocks} blocks is too small for a journal",
            hint="give the partition more room",
        )
    return made


def commands(path: Path, parameters: Ext4) -> Iterator[Command]:
    """Yield the commands that make the empty file system in a file. Pure."""
    yield mke2fs(path, parameters)
    yield tune2fs(path, parameters)
    if parameters.mount_opts:
        yield mount_opts(path, parameters)


def mke2fs(path: Path, parameters: Ext4) -> Command:
    """Return the command that makes the empty file system. Pure."""
    words = [
        "mke2fs", "-F", "-q", "-b", str(parameters.block_size), "-I", str(parameters.inode_size),
        "-N", str(parameters.inodes), "-U", parameters.uuid, "-L", parameters.label, "-m", "0",
        "-e", parameters.errors, "-O", ",".join(("none", *_features(parameters))),
        "-E", ",".join(_extended(parameters)),
    ]  # fmt: skip
    if "has_journal" in parameters.features and parameters.journal_blocks:
        words += ["-J", f"size={journal_mib(parameters)}"]
    words += [str(path), str(parameters.blocks)]
    return Command.of(*words, timeout=600, environment=NO_SETTINGS)


def _features(parameters: Ext4) -> Iterator[str]:
    """Quota is counted, and its feature set, when the files are there."""
    return (feature for feature in parameters.features if feature not in QUOTA)


def _extended(parameters: Ext4) -> Iterator[str]:
    yield "nodiscard"
    yield "lazy_itable_init=1"
    yield "root_owner=0:0"
    if parameters.hash_seed:
        yield f"hash_seed={parameters.hash_seed}"
    if parameters.stride:
        yield f"stride={parameters.stride}"
    if parameters.stripe_width:
        yield f"stripe_width={parameters.stripe_width}"


def journal_mib(parameters: Ext4) -> int:
    """Return the size of the journal in MiB, as mke2fs wants it, rounded up."""
    blocks = parameters.journal_blocks
    if "fast_commit" in parameters.features:
        blocks = blocks * FAST_COMMIT_SHARE // (FAST_COMMIT_SHARE + 1)
    return max(-(-blocks * parameters.block_size // MIB), 1)


def tune2fs(path: Path, parameters: Ext4) -> Command:
    """Return the command that sets what mke2fs cannot. Pure."""
    options = (*(f"^{name}" for name in MOUNT_DEFAULTS), *parameters.mount_defaults)
    words = [
        "tune2fs", "-r", str(parameters.reserved_blocks), "-u", str(parameters.reserved_uid),
        "-g", str(parameters.reserved_gid), "-c", str(parameters.max_mount_count),
        "-i", f"{parameters.check_interval}s", "-o", ",".join(options),
    ]  # fmt: skip
    return Command.of(*words, str(path), environment=NO_SETTINGS)


def mount_opts(path: Path, parameters: Ext4) -> Command:
    """Return the command that sets the extended mount options. Pure.

    tune2fs -E takes a comma for the end of one of its own options.

    Raises:
        TargetRefusedError: they hold what no mount option does.
    """
    if MOUNT_OPTIONS.fullmatch(parameters.mount_opts) is None:
        raise TargetRefusedError(f"odd mount options in an ext4: {parameters.mount_opts!r}")
    request = f"set_super_value mount_opts {parameters.mount_opts}"
    return Command.of("debugfs", "-w", "-R", request, str(path))


def _place(scratch: Path, target: Path, offset: int, size: int) -> None:
    """Copy what an empty file system consists of to its place."""
    with files.opened(scratch) as source, files.opened(target, os.O_RDWR) as handle:
        for start, length in _to_clear(handle, size):
            splice.clear(handle, offset + start, length)
        for start, length in _to_copy(scratch, source):
            splice.copy(source, handle, size=length, source_at=start, target_at=offset + start)


def _to_clear(handle: int, size: int) -> Iterator[tuple[int, int]]:
    """Of an image everything; of a device where other file systems have their signatures."""
    if not stat.S_ISBLK(os.fstat(handle).st_mode):
        yield 0, size
        return
    edge = min(SIGNATURES, size)
    yield 0, edge
    yield size - edge, edge


def _to_copy(scratch: Path, source: int) -> Iterator[tuple[int, int]]:
    """Yield (start, length) in bytes of what must be as it is in scratch, holes included."""
    with volume.opened(scratch, offset=0) as empty:
        shape = empty.geometry
        used = list(empty.library.used_blocks(shape.first_block, shape.blocks))
        tables: list[Run] = []
        if shape.leaves_inodes_unset:
            groups = range(empty.library.groups)
            tables = sorted(empty.library.inode_table(group) for group in groups)
    for first, length in without(used, tables):
        yield first * shape.block_size, length * shape.block_size
    for first, length in tables:
        start, end = first * shape.block_size, (first + length) * shape.block_size
        for begin, stop in files.data_ranges(source, end, first=start):
            yield begin, stop - begin


def without(runs: Iterable[Run], taken: Sequence[Run]) -> Iterator[Run]:
    """Yield what is left of runs when others, sorted, are taken out."""
    starts = [run.first for run in taken]
    for run in runs:
        position, end = run.first, run.first + run.length
        for first, length in taken[max(bisect_right(starts, position) - 1, 0) :]:
            if first >= end:
                break
            if first > position:
                yield Run(position, first - position)
            position = max(position, first + length)
        if position < end:
            yield Run(position, end - position)


def fill(
    target: Path,
    *,
    offset: int,
    entries: Entries,
    contents: Contents,
    heads: Mapping[bytes, bytes] | None = None,
    progress: Progress | None = None,
) -> Filled:
    """Fill the empty file system that `make` made at an offset in a target.

    Args:
        target: the image or device.
        offset: byte at which the partition begins.
        entries: gives a stream of entries in key order.
        contents: where the contents of files are. Of each only the size is checked here: its
            bytes are hashed when the target is read back, which the caller must see to.
        heads: what is at the beginning of swap files, by path: their headers.
        progress: is told of every chunk.

    Raises:
        VerificationError: a content is not as long as the index says, or the index is no tree.
        TargetFailedError: the target cannot be written, or a content cannot be read.
    """
    return filling.fill(
        target, offset=offset, entries=entries(), contents=contents, heads=heads or {},
        progress=progress or Silence(),
    )  # fmt: skip


def finish(target: Path, *, offset: int, parameters: Ext4, machine: Runner) -> None:
    """Bring the file system to the medium and let e2fsck look at all of it.

    Raises:
        TargetFailedError: the medium reports an error, or e2fsck finds one.
    """
    place = f"{target.absolute()}?offset={offset}"
    if "?" in str(target):
        raise TargetRefusedError(f"{target}: e2fsprogs cannot open a name with a question mark")
    try:
        if not QUOTA.isdisjoint(parameters.features):
            machine.run(quota(place, parameters))
        files.sync_file(target)
        machine.run(Command.of("e2fsck", "-f", "-n", place, timeout=_CHECK_SECONDS))
    except CommandError as error:
        raise TargetFailedError(f"the new ext4 in {target} is not sound: {error}") from error
    except OSError as error:
        raise TargetFailedError(f"{target} did not take all bytes: {error.strerror}") from error


def quota(place: str, parameters: Ext4) -> Command:
    """Return the command that counts what everybody uses and switches quota on. Pure."""
    wanted = [feature for feature in parameters.features if feature in QUOTA]
    return Command.of("tune2fs", "-O", ",".join(wanted), place, timeout=600)
