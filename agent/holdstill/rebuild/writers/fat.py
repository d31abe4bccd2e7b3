"""A FAT: made by mkfs.vfat with the recorded parameters, filled by mcopy, attributes by mattrib.

The empty file system is made in a sparse file of its own and its first bytes are spliced into
the target, because mkfs.vfat claims a device for itself, which we hold, and knows no offset that
fsck.vfat would not stumble over. Files travel in batches through a folder of copies: they need
their own names and times, and the store's files must not be touched. Contents are hashed while
they are copied.
"""

from __future__ import annotations

import os
import struct
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import (
    CommandError,
    SecurityError,
    TargetFailedError,
    TargetRefusedError,
    VerificationError,
)
from holdstill.model import paths
from holdstill.model.entries import EntryType
from holdstill.model.sizes import MIB
from holdstill.rebuild import splice
from holdstill.rebuild.sources import Silence
from holdstill.system import files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.layout import Fat
    from holdstill.rebuild.sources import Contents, Progress
    from holdstill.system.process import Runner

READ_ONLY, HIDDEN, SYSTEM, ARCHIVE = 0x01, 0x02, 0x04, 0x20
KEPT_ATTRIBUTES = READ_ONLY | HIDDEN | SYSTEM | ARCHIVE
_LETTERS = ((READ_ONLY, "r"), (HIDDEN, "h"), (SYSTEM, "s"), (ARCHIVE, "a"))
BATCH_BYTES = 64 * MIB
BATCH_FILES = 1000
COPY_TIMEOUT = 3600.0
"""Seconds for one batch; slow cards write 64 MiB in half a minute."""
_MTOOLS = (
    ("MTOOLS_SKIP_CHECK", "1"),
    ("MTOOLS_LOWER_CASE", "0"),
    ("MTOOLS_NO_VFAT", "0"),
    ("MTOOLS_FAT_COMPATIBILITY", "0"),
)


def make(
    target: Path,
    *,
    offset: int,
    size: int,
    parameters: Fat,
    entries: Iterable[Entry],
    contents: Contents,
    machine: Runner,
    progress: Progress = Silence(),  # noqa: B008  it has no state
) -> None:
    """Make a FAT with these entries at an offset of a file or device.

    It is as large as parameters.sectors says, or size bytes where that is 0.

    Raises:
        TargetRefusedError: size is less than parameters.sectors ask for.
        SecurityError: names that a FAT cannot hold side by side.
        VerificationError: a content is not what its digest says.
        TargetFailedError: a tool failed; its words say why.
    """
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        format_(handle, offset=offset, size=size, parameters=parameters, machine=machine)
        volume = Volume(f"/proc/{os.getpid()}/fd/{handle}@@{offset}", machine)
        fill(volume, entries, contents=contents, progress=progress)


def format_(target: int, *, offset: int, size: int, parameters: Fat, machine: Runner) -> None:
    """Put an empty FAT with the recorded parameters at an offset of an open file or device.

    Raises:
        TargetRefusedError: size is less than parameters.sectors ask for.
        TargetFailedError: mkfs.vfat failed.
    """
    length = parameters.sectors * parameters.sector_size or size
    if length > size:
        raise TargetRefusedError(f"a FAT of {length} bytes does not fit a partition of {size}")
    with tempfile.TemporaryDirectory(prefix="holdstill-fat-") as folder:
        image = _best(Path(folder), length, parameters, machine)
        with files.opened(image) as source:
            boot = BootSector.parse(os.pread(source, 512, 0))
            first = min(boot.first_content, length)
            splice.copy(source, target, size=first, target_at=offset)
    for sector in boot.boot_sectors:
        at = offset + sector * boot.sector_size + BootSector.OEM_AT
        splice.write_all_at(target, at, _oem(parameters.oem))


def _oem(text: str) -> bytes:
    return text.encode("ascii", errors="replace")[:8].ljust(8)


def _best(folder: Path, length: int, parameters: Fat, machine: Runner) -> Path:
    """Make empty file systems until one is laid out as recorded; else return the nearest.

    mkfs.vfat decides by itself where structures are aligned and how many sectors it rounds away.
    """
    made: list[tuple[int, Path]] = []
    for words in ((), ("-a",), ("-g", "64/1"), ("-a", "-g", "64/1")):
        image = folder / f"{len(made)}.img"
        with files.opened_for_writing(image) as handle:
            os.ftruncate(handle, length)
        _run(machine, _mkfs(image, length, parameters, words))
        with files.opened(image) as handle:
            boot = BootSector.parse(os.pread(handle, 512, 0))
        made.append((boot.strangeness(parameters), image))
        if made[-1][0] == 0:
            break
    return min(made, key=lambda pair: pair[0])[1]


def _mkfs(image: Path, length: int, parameters: Fat, words: Sequence[str]) -> Command:
    options = [
        *("-F", str(parameters.bits), "-i", f"{parameters.volume_id:08x}"),
        *("-S", str(parameters.sector_size), "-s", str(parameters.sectors_per_cluster)),
        *("-R", str(parameters.reserved_sectors), "-f", str(parameters.fats)),
        *("-h", str(parameters.hidden_sectors), "-M", f"0x{parameters.media:02x}"),
    ]
    if parameters.root_entries:
        options += ["-r", str(parameters.root_entries)]
    if parameters.label:
        options += ["-n", parameters.label]
    return Command.of("mkfs.vfat", *words, *options, image, str(length // 1024), timeout=600)


@dataclass(frozen=True)
class BootSector:
    """What the first sector says of the layout (FAT: General Overview of On-Disk Format)."""

    sector_size: int
    sectors_per_cluster: int
    reserved: int
    fats: int
    root_entries: int
    sectors: int
    fat_size: int
    backup: int

    OEM_AT = 3

    @classmethod
    def parse(cls, raw: bytes) -> BootSector:
        """Read a boot sector that mkfs.vfat made."""
        sector, cluster, reserved, fats, roots, small, _, fat16 = _BPB.unpack_from(raw, 11)
        large, fat32 = struct.unpack_from("<II", raw, 32)
        (backup,) = struct.unpack_from("<H", raw, 50) if not fat16 else (0,)
        return cls(
            sector, cluster, reserved, fats, roots, small or large, fat16 or fat32, backup
        )  # fmt: skip

    @property
    def first_content(self) -> int:
        """Bytes before the second cluster: all that an empty file system consists of."""
        return (self._first_cluster + self.sectors_per_cluster) * self.sector_size

    @property
    def _first_cluster(self) -> int:
        roots = -(-self.root_entries * 32 // self.sector_size)
        return self.reserved + self.fats * self.fat_size + roots

    @property
    def clusters(self) -> int:
        """Count the clusters; it decides between FAT12, FAT16 and FAT32."""
        return (self.sectors - self._first_cluster) // self.sectors_per_cluster

    @property
    def boot_sectors(self) -> tuple[int, ...]:
        """The sectors that hold a copy of this."""
        return (0, self.backup) if self.backup not in {0, 0xFFFF} else (0,)

    def strangeness(self, wanted: Fat) -> int:
        """Count in how many ways this is not laid out as wanted."""
        pairs = [
            (self.sectors, wanted.sectors or self.sectors),
            (self.clusters, wanted.clusters if wanted.sectors else self.clusters),
            (self.reserved, wanted.reserved_sectors),
            (self.root_entries, wanted.root_entries),
        ]
        return sum(mine != theirs for mine, theirs in pairs)


_BPB = struct.Struct("<HBHBHHBH")


@dataclass(frozen=True)
class Volume:
    """A FAT at an offset, as mtools address it."""

    address: str
    machine: Runner

    def copy_in(self, folder: Path) -> None:
        """Copy everything in a folder into the root directory, folders merged."""
        words = [os.fspath(path) for path in sorted(folder.iterdir())]
        if words:
            self._run("mcopy", "-s", "-p", "-m", "-Q", *words, "::/")

    def set_attributes(self, attributes: int, names: Sequence[bytes]) -> None:
        """Give entries exactly these attributes."""
        signs = [f"{'+' if attributes & bit else '-'}{letter}" for bit, letter in _LETTERS]
        self._run("mattrib", *signs, *[f"::/{_pattern(name)}" for name in names])

    def _run(self, program: str, *words: str) -> None:
        command = Command.of(
            *(program, "-i", self.address, *words), timeout=COPY_TIMEOUT, environment=_MTOOLS
        )
        _run(self.machine, command)


def _pattern(path: bytes) -> str:
    r"""Write a path so that mtools takes it literally: [ opens a set of characters there."""
    return os.fsdecode(path.replace(b"[", b"\\[").replace(b"]", b"\\]"))


def _run(machine: Runner, command: Command) -> None:
    try:
        machine.run(command)
    except CommandError as error:
        raise TargetFailedError(
            f"the FAT could not be made: {error}",
            hint="if it says that the disk is full, give this partition more room",
        ) from error


def fill(
    volume: Volume,
    entries: Iterable[Entry],
    *,
    contents: Contents,
    progress: Progress = Silence(),  # noqa: B008  it has no state
) -> None:
    """Put entries, in key order, into an empty FAT.

    Raises:
        SecurityError: names that a FAT cannot hold side by side, or that are no file names.
        VerificationError: a content is not what its digest says.
        TargetFailedError: a tool failed; its words say why.
    """
    attributes = _Attributes(volume)
    times: dict[bytes, int] = {}
    for batch in _batches(_checked(entries)):
        with _staging() as stage:
            for entry in batch:
                _stage(stage, entry, times, contents)
            _date_folders(stage, times)
            volume.copy_in(stage)
        for entry in batch:
            attributes.note(entry)
        progress.advance(sum(entry.size for entry in batch))
    attributes.finish()


def _checked(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Pass entries on that a FAT can hold: files and folders, told apart by more than case."""
    here, names = b"", set[str]()
    for entry in entries:
        if not entry.path:
            continue
        paths.check_name(entry.name)
        if entry.directory != here:
            here, names = entry.directory, set()
        folded = os.fsdecode(entry.name).casefold()
        if folded in names or entry.type not in {EntryType.FILE, EntryType.DIRECTORY}:
            raise SecurityError(f"a FAT cannot hold {paths.display(entry.path)} beside the others")
        names.add(folded)
        yield entry


def _batches(entries: Iterable[Entry]) -> Iterator[list[Entry]]:
    batch: list[Entry] = []
    size = 0
    for entry in entries:
        if batch and (size + entry.size > BATCH_BYTES or len(batch) >= BATCH_FILES):
            yield batch
            batch, size = [], 0
        batch.append(entry)
        size += entry.size
    if batch:
        yield batch


@contextmanager
def _staging() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="holdstill-fat-") as folder:
        yield Path(folder)


def _stage(stage: Path, entry: Entry, times: dict[bytes, int], contents: Contents) -> None:
    """Put one entry into the folder that mcopy will read."""
    place = os.path.join(os.fsencode(stage), entry.path)  # noqa: PTH118  any name
    if entry.type is EntryType.DIRECTORY:
        times[entry.path] = entry.mtime_ns
        os.makedirs(place, exist_ok=True)  # noqa: PTH103  any name
        return
    os.makedirs(os.path.dirname(place), exist_ok=True)  # noqa: PTH103, PTH120  any name
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
    with files.opened(place, flags) as copy:
        os.ftruncate(copy, entry.size)
        if entry.digest:
            _copy_content(entry, contents, copy)
    os.utime(place, ns=(entry.mtime_ns, entry.mtime_ns))


def _copy_content(entry: Entry, contents: Contents, copy: int) -> None:
    content = contents.open(entry.digest)
    try:
        digest = splice.copy(content, copy, size=entry.size)
    except EOFError as error:
        raise VerificationError(f"{paths.display(entry.path)}: {error}") from error
    finally:
        os.close(content)
    if digest != entry.digest:
        raise VerificationError(
            f"the content of {paths.display(entry.path)} has the digest {digest.hex()}, "
            f"not {entry.digest.hex()}",
            hint="the store was damaged or changed: run `holdstill verify`",
        )


def _date_folders(stage: Path, times: dict[bytes, int]) -> None:
    """Give the folders of a batch their own times, after files were put into them."""
    top = os.fsencode(stage)
    for folder, _, _ in os.walk(top):
        time = times.get(os.path.relpath(folder, top))
        if time is not None:
            os.utime(folder, ns=(time, time))


class _Attributes:
    """Attributes that differ from what mcopy gives, collected and set by few calls."""

    LIMIT = 64 << 10
    """Bytes of names for one call; the kernel takes 2 MiB of arguments."""

    def __init__(self, volume: Volume) -> None:
        self._volume = volume
        self._waiting: dict[int, list[bytes]] = {}

    def note(self, entry: Entry) -> None:
        wanted = entry.flags & KEPT_ATTRIBUTES
        usual = ARCHIVE if entry.type is EntryType.FILE else 0
        if wanted == usual:
            return
        names = self._waiting.setdefault(wanted, [])
        names.append(entry.path)
        if sum(map(len, names)) >= self.LIMIT:
            self._volume.set_attributes(wanted, self._waiting.pop(wanted))

    def finish(self) -> None:
        for wanted, names in self._waiting.items():
            self._volume.set_attributes(wanted, names)
