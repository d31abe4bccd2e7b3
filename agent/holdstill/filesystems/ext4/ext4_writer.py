"""ext2, ext3 and ext4: made empty by mke2fs and tune2fs, filled through libext2fs, never mounted.

mke2fs refuses a device that a process holds, and we hold a card to keep others out. So the
file system is made in a scratch file; contents go straight to the target, the rest in the end.
"""

from __future__ import annotations

import re
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import CommandError, PreflightError, TargetFailedError, TargetRefusedError
from holdstill.filesystems.ext4 import (
    assemble,
    ext4_parameters,
    ext4_populate,
    geometry,
    scratch_image,
)
from holdstill.filesystems.writer_input import NoCounter
from holdstill.system import files, sparse_copy
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from holdstill.filesystems.ext4.ext4_populate import PopulateResult
    from holdstill.filesystems.ext4.geometry import Geometry
    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.layout import Ext4
    from holdstill.model.sealed_capture import ContentSource
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
_QUOTA = frozenset({"quota", "project"})
FAST_COMMIT_SHARE = 64
"""mke2fs gives fast commits a 64th of the journal, on top."""
_CHECK_SECONDS = 6 * 60 * 60.0


class Ext4WriteResult(NamedTuple):
    """What was made.

    Attributes:
        parameters: as they became: mke2fs rounds the number of inodes up, and leaves out a last
            group of blocks that is too small to be one.
        filled: what is in it.
    """

    parameters: Ext4
    filled: PopulateResult


def check(parameters: Ext4) -> None:
    """Refuse what cannot be rebuilt.

    Raises:
        TargetRefusedError: the file system uses a feature that we do not rebuild.
    """
    if reason := ext4_parameters.not_rebuilt(parameters.features):
        raise TargetRefusedError(reason, hint="its files are in the capture: `holdstill get`")
    if "mmp" in parameters.features:
        raise TargetRefusedError(
            "an ext4 with a guard against being mounted twice (mmp) cannot be made in an image"
        )


def write(
    target: Path,
    *,
    offset: int,
    size: int,
    parameters: Ext4,
    entries: Iterable[Entry],
    contents: ContentSource,
    machine: Runner,
    heads: Mapping[bytes, bytes] | None = None,
    progress: ByteCounter | None = None,
) -> Ext4WriteResult:
    """Make a file system with these parameters at an offset in a target, and fill it.

    Args:
        target: an image or a device; a device may be held (O_EXCL) by the caller.
        offset: byte at which the partition begins.
        size: bytes of the partition.
        parameters: blocks, inodes and reserved blocks included; see rebuild.planner.
        entries: in key order.
        contents: where the contents of files are. Of each only the size is checked here: its
            bytes are hashed when the target is read back, which the caller must see to.
        machine: runs mke2fs and tune2fs.
        heads: what is at the beginning of swap files, by path: their headers.
        progress: is called with every chunk.

    Raises:
        TargetRefusedError: it does not fit, or has a feature that we do not rebuild.
        PreflightError: this machine's e2fsprogs cannot make it.
        TargetFailedError: there is no room for the file.
        VerificationError: a content is not as long as the index states, or the index is no tree.
        TargetFailedError: the target cannot be written, or a content cannot be read.
    """
    check(parameters)
    wanted = parameters.blocks * parameters.block_size
    if wanted > size:
        raise TargetRefusedError(f"an ext4 of {wanted} bytes does not fit a partition of {size}")
    with scratch_image.held() as scratch:
        made = format_file(scratch, parameters=parameters, machine=machine)
        with _said_of(target):
            assemble.prepare(target, offset=offset, size=size)
        filled = ext4_populate.populate(
            scratch, target, offset=offset, entries=entries, contents=contents, heads=heads or {},
            progress=progress or NoCounter(),
        )  # fmt: skip
        with _said_of(target):
            assemble.assemble(scratch, target, offset=offset, contents=filled.contents)
    became = msgspec.structs.replace(parameters, blocks=made.blocks, inodes=made.inodes)
    return Ext4WriteResult(became, filled)


@contextmanager
def _said_of(target: Path) -> Iterator[None]:
    try:
        yield
    except sparse_copy.SourceError as error:
        raise scratch_image.failed("read", error.strerror) from error
    except OSError as error:
        raise TargetFailedError(f"cannot write an ext4 to {target}: {error.strerror}") from error


_NO_ROOM = b"No space left on device"
"""What e2fsprogs and the C library say of ENOSPC (strerror(3), in the C locale)."""


def format_file(path: Path, *, parameters: Ext4, machine: Runner) -> Geometry:
    """Make a file that holds an empty file system; holes stay holes. Return what became of it.

    Raises:
        PreflightError: this machine's e2fsprogs cannot make it.
    """
    try:
        empty = _made(path, parameters, machine)
        # mke2fs leaves out a last group that would hold little: inodes have to be in the others,
        # and what is reserved keeps its share.
        if empty.inodes < parameters.inodes:
            asked = -(-parameters.inodes * parameters.inodes // empty.inodes)
            more = msgspec.structs.replace(parameters, inodes=asked)
            empty = _made(path, more, machine)
        reserved = parameters.reserved_blocks * empty.blocks // parameters.blocks
        for command in settings(
            path, msgspec.structs.replace(parameters, reserved_blocks=reserved)
        ):
            machine.run(command)
    except CommandError as error:
        if _NO_ROOM in error.words:
            raise scratch_image.failed("make", _NO_ROOM.decode()) from error
        raise PreflightError(
            f"this machine cannot make the board's ext4: {error}",
            hint="its features are newer than this machine's e2fsprogs, it is too small, or there "
            "is no room for its journal in /var/tmp (TMPDIR chooses another place)",
        ) from error
    with files.opened(path) as image:
        made = geometry.read(image, offset=0)
    if "has_journal" in parameters.features and not made.has_journal:
        # In a file system that is too small mke2fs leaves the journal out silently.
        raise PreflightError(
            f"an ext4 of {parameters.blocks} blocks is too small for a journal",
            hint="give the partition more room",
        )
    return made


def _made(path: Path, parameters: Ext4, machine: Runner) -> Geometry:
    with path.open("wb") as image:
        image.truncate(parameters.blocks * parameters.block_size)
    machine.run(mke2fs(path, parameters))
    with files.opened(path) as made:
        return geometry.read(made, offset=0)


def settings(path: Path, parameters: Ext4) -> Iterator[Command]:
    """Yield the commands that set what mke2fs cannot, in a file. Pure."""
    yield tune2fs(path, parameters)
    if parameters.mount_opts:
        yield mount_opts(path, parameters)


def mke2fs(path: Path, parameters: Ext4) -> Command:
    """Return the command that makes the empty file system. Pure."""
    # Quota is counted, and its feature set, when the files are there.
    counted = counted_features(parameters)
    features = (feature for feature in parameters.features if feature not in counted)
    words = [
        "mke2fs", "-F", "-q", "-b", str(parameters.block_size), "-I", str(parameters.inode_size),
        "-N", str(parameters.inodes), "-U", parameters.uuid, "-L", parameters.label, "-m", "0",
        "-e", parameters.errors, "-O", ",".join(("none", *features)),
        "-E", ",".join(_extended(parameters)),
    ]  # fmt: skip
    if "has_journal" in parameters.features and parameters.journal_blocks:
        words += ["-J", f"size={journal_mib(parameters)}"]
    words += [str(path), str(parameters.blocks)]
    return Command.of(*words, timeout=600, environment=NO_SETTINGS)


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


def finish(target: Path, *, offset: int, parameters: Ext4, machine: Runner) -> None:
    """Flush the file system to the medium and check all of it with e2fsck.

    Raises:
        TargetFailedError: the medium reports an error, or e2fsck finds one.
    """
    place = f"{target.absolute()}?offset={offset}"
    if "?" in str(target):
        raise TargetRefusedError(f"{target}: e2fsprogs cannot open a name with a question mark")
    try:
        if counted_features(parameters):
            machine.run(quota(place, parameters))
        files.sync_file(target)
        machine.run(Command.of("e2fsck", "-f", "-n", place, timeout=_CHECK_SECONDS))
    except CommandError as error:
        raise TargetFailedError(f"the new ext4 in {target} is not sound: {error}") from error
    except OSError as error:
        raise TargetFailedError(f"{target} did not take all bytes: {error.strerror}") from error


def counted_features(parameters: Ext4) -> tuple[str, ...]:
    """Return the features that tune2fs sets when the files are there. Pure.

    tune2fs 1.47 counts what projects use if it sets both, and switches quota on if it is asked
    for projects alone: so those without quota are mke2fs's to set.
    """
    if "quota" not in parameters.features:
        return ()
    return tuple(feature for feature in parameters.features if feature in _QUOTA)


def quota(place: str, parameters: Ext4) -> Command:
    """Return the command that counts what everybody uses and switches quota on. Pure."""
    wanted = ",".join(counted_features(parameters))
    return Command.of("tune2fs", "-O", wanted, place, timeout=600)
