"""Whether a finished card or image holds what a capture says.

The second witness: tables, file systems and files are read by our own readers, which share
nothing with the tools that wrote them. Nothing is changed, and nothing is mounted but what only
the kernel can read (xfs, btrfs, f2fs): that read-only, where we may. What memory still holds of a
device must have been dropped before, or it is memory that is checked.
"""

from __future__ import annotations

import hashlib
import threading
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from holdstill.disks import boot_gap, partition_table
from holdstill.errors import HoldstillError, VerificationError
from holdstill.filesystems import file_tree, hash_worker, probe
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.filesystems.fat.fat_reader import FatReader
from holdstill.filesystems.file_tree import Content
from holdstill.filesystems.kernel_filled import kernel_reader
from holdstill.filesystems.swap import swap_reader
from holdstill.model import entries as entry_streams
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType, Omitted
from holdstill.model.layout import Container, Ext4, Fat, Other, Raw, Record, Swap, TableLabel
from holdstill.system import byte_source, loop_device

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from holdstill.disks.boot_gap import GapExtent
    from holdstill.filesystems.file_tree import FileTree
    from holdstill.model.layout import Disk, FileSystem, Partition
    from holdstill.model.manifest import Manifest
    from holdstill.system.byte_source import ByteSource, OpenFile
    from holdstill.system.process import Runner

SHOWN_MAX = 200
"""Differences that are listed; the rest is only counted."""
_STEP = 8 << 20
"""Bytes read between two words about progress."""
_CHUNK = 1 << 20
_EXT4_EXACT = (
    "uuid", "label", "block_size", "inode_size", "hash_seed", "reserved_uid", "reserved_gid",
    "errors", "mount_opts", "max_mount_count", "check_interval", "stride", "stripe_width",
)  # fmt: skip
_EXT4_SETS = ("features", "mount_defaults")
_MADE_ANEW = frozenset({b"ldlinux.sys", b"ldlinux.c32"})
"""Files of SYSLINUX in a FAT: its installer writes them, with the places where they lie."""
_MOUNT_OPTIONS = {"xfs": "ro,norecovery,nouuid", "btrfs": "ro", "f2fs": "ro"}
"""Nothing is to be written, not even a journal's end; another xfs of this UUID may be mounted."""
_OF_CONTENT = frozenset({"digest", "size", "mtime_ns"})
_FAT_EXACT = (
    "bits", "volume_id", "label", "sector_size", "reserved_sectors", "fats", "root_entries",
    "hidden_sectors", "media", "oem",
)  # fmt: skip
_SWAP_EXACT = ("uuid", "label", "page_size")
_GPT_USUAL = 128
_PARTITION_EXACT = ("type", "uuid", "name", "attrs", "bootable")


class CardDifference(Record, frozen=True, kw_only=True):
    """One way in which the card is not as it should be; all for people to read.

    Attributes:
        part: partition, 0 for the disk itself.
        path: the entry, "" for the file system.
    """

    part: int
    path: str
    field: str
    wanted: str
    found: str

    def __str__(self) -> str:
        where = f"partition {self.part}" if self.part else "disk"
        place = f"{where}, /{self.path}" if self.path else where
        return f"{place}: {self.field} is {self.found}, not {self.wanted}"


class CardReport(Record, frozen=True, kw_only=True):
    """What the check found.

    Attributes:
        entries, files, content_bytes: what the capture has in the partitions that were checked.
        total: number of differences; `differences` has the first SHOWN_MAX of them.
        altered: wanted SHA-256, hexadecimal, and path of files among these with other bytes.
        unchecked: what could not be checked, and why.
    """

    entries: int
    files: int
    content_bytes: int
    total: int
    differences: tuple[CardDifference, ...] = ()
    altered: tuple[tuple[str, str], ...] = ()
    unchecked: tuple[str, ...] = ()

    @property
    def is_exact(self) -> bool:
        """Whether nothing differs in what was checked."""
        return self.total == 0

    def raise_if_different(self) -> None:
        """Raise VerificationError unless nothing differs."""
        if not self.is_exact:
            shown = "".join(f"\n  {difference}" for difference in self.differences[:10])
            raise VerificationError(
                f"the card differs from the capture in {self.total} places:{shown}",
                hint="write it again; if that does not help, the card is failing",
            )


def check_card(
    path: Path,
    manifest: Manifest,
    *,
    expected: Callable[[int], Iterable[Entry]],
    disk: Disk | None = None,
    file_systems: Mapping[int, FileSystem] | None = None,
    gap: Sequence[GapExtent] | None = None,
    progress: Callable[[int], None] = lambda _: None,
    machine: Runner | None = None,
) -> CardReport:
    """Check a finished card or image: its table, and everything that check_contents checks.

    Args:
        path: the card or image.
        manifest: of the capture.
        expected: the entries of a partition as they should be there, in key order.
        disk: the layout that was planned; None when it is not known: then partitions may be of
            any size and at any place.
        file_systems: parameters where they should be other than the manifest's.
        gap: the boot gap as it should be; None leaves it unchecked.
        progress: told the bytes read so far.
        machine: mounts, read-only, what only the kernel can read; without it that is unchecked.

    Raises:
        LayoutError: the card has no table that can be read.
    """
    wanted = disk or manifest.disk
    with byte_source.opened(path) as opened:
        check = _CardCheck(opened, _Meter(progress), path, machine)
        found = partition_table.read(opened, sector_size=wanted.sector_size)
        _check_table(check, wanted, found, has_plan=disk is not None)
        check.contents(manifest, found, expected, file_systems or {})
        _check_gap(check, found, gap)
        return check.report()


def check_contents(
    path: Path,
    manifest: Manifest,
    *,
    disk: Disk,
    expected: Callable[[int], Iterable[Entry]],
    file_systems: Mapping[int, FileSystem] | None = None,
    gap: Sequence[GapExtent] | None = None,
    progress: Callable[[int], None] = lambda _: None,
    machine: Runner | None = None,
) -> CardReport:
    """Check what lies in the places of a planned layout, whether or not a table says so yet.

    Parameters of every file system, every field and byte of every entry, swap areas, raw
    partitions, and the boot gap. The arguments are those of check_card.
    """
    with byte_source.opened(path) as opened:
        check = _CardCheck(opened, _Meter(progress), path, machine)
        check.contents(manifest, disk, expected, file_systems or {})
        _check_gap(check, disk, gap)
        return check.report()


class _UnreadableError(Exception):
    """The rest of a partition cannot be read; it was reported."""


class _PartPlace(NamedTuple):
    """One partition on the card, and what should be in it."""

    number: int
    source: _Metered
    content_bytes: int
    offset: int


@dataclass
class _CardCheck:
    """One check in progress."""

    opened: OpenFile
    meter: _Meter
    path: Path
    machine: Runner | None
    total: int = 0
    differences: list[CardDifference] = field(default_factory=list)
    altered: list[tuple[str, str]] = field(default_factory=list)
    unchecked: list[str] = field(default_factory=list)
    entries: int = 0
    files: int = 0
    content_bytes: int = 0

    def note(self, part: int, path: bytes, name: str, pair: tuple[object, object]) -> None:
        """Note a difference: what was wanted, and what was found."""
        self.total += 1
        if len(self.differences) < SHOWN_MAX:
            wanted, found = (_shown(name, value) for value in pair)
            where = paths.display(path)
            if name == "digest" and path:
                self.altered.append((wanted, where))
            self.differences.append(
                CardDifference(part=part, path=where, field=name, wanted=wanted, found=found)
            )

    def leave_unchecked(self, what: str) -> None:
        """Note, once, what was not checked."""
        if what not in self.unchecked:
            self.unchecked.append(what)

    def compare(self, part: int, names: Iterable[str], wanted: Record, found: Record) -> None:
        """Note every named field in which two records differ."""
        for name in names:
            pair = getattr(wanted, name), getattr(found, name)
            if pair[0] != pair[1]:
                self.note(part, b"", name, pair)

    def counted(self, entries: Iterable[Entry]) -> Iterator[Entry]:
        """Count entries on their way."""
        for entry in entries:
            self.entries += 1
            self.files += entry.type is EntryType.FILE
            self.content_bytes += entry.size
            yield entry

    @contextmanager
    def reading(self, number: int) -> Iterator[None]:
        """Report what cannot be read of a partition as a difference."""
        try:
            yield
        except (HoldstillError, OSError, EOFError) as error:
            self.note(number, b"", "readable", ("true", f"false: {error}"))
            raise _UnreadableError from error

    def contents(
        self,
        manifest: Manifest,
        disk: Disk,
        expected: Callable[[int], Iterable[Entry]],
        others: Mapping[int, FileSystem],
    ) -> None:
        """Check every partition of the manifest in the places that disk gives."""
        there = {partition.number: partition for partition in disk.partitions}
        for part in manifest.parts:
            partition = there.get(part.number)
            if partition is None:
                self.note(part.number, b"", "partition", ("present", "missing"))
                continue
            wanted = others.get(part.number, part.file_system)
            try:
                with self._place(partition, disk.sector_size, part.content_bytes) as place:
                    _check_part(self, place, wanted, expected)
            except _UnreadableError:
                continue

    @contextmanager
    def _place(self, partition: Partition, step: int, content_bytes: int) -> Iterator[_PartPlace]:
        with self.reading(partition.number):
            start = partition.start * step
            window = self.opened.window(start, partition.size * step)
        with byte_source.around_memory(self.path, window) as source:
            yield _PartPlace(partition.number, _Metered(source, self.meter), content_bytes, start)

    def report(self) -> CardReport:
        """Sum up."""
        return CardReport(
            entries=self.entries,
            files=self.files,
            content_bytes=self.content_bytes,
            total=self.total,
            differences=tuple(self.differences),
            altered=tuple(self.altered),
            unchecked=tuple(self.unchecked),
        )


def _check_part(
    check: _CardCheck,
    place: _PartPlace,
    wanted: FileSystem,
    expected: Callable[[int], Iterable[Entry]],
) -> None:
    match wanted:
        case Ext4():
            _check_entries(check, place, _ext4(check, place, wanted), expected(place.number))
        case Fat():
            volume = _fat(check, place, wanted)
            _check_entries(check, place, volume, expected(place.number), anew=_MADE_ANEW)
        case Swap():
            with check.reading(place.number):
                found = swap_reader.read(place.source)
            check.compare(place.number, _SWAP_EXACT, wanted, found)
        case Raw():
            _check_raw(check, place, wanted)
        case Other():
            _check_other(check, place, wanted, expected(place.number))
        case Container():
            pass  # the table says all about it


# Tables, gap and raw partitions ---------------------------------------------------------------


def _check_table(check: _CardCheck, wanted: Disk, found: Disk, *, has_plan: bool) -> None:
    for name in ("label", "id"):
        pair = str(getattr(wanted, name)).lower(), str(getattr(found, name)).lower()
        if pair[0] != pair[1]:
            check.note(0, b"", f"table's {name}", pair)
    if wanted.label is found.label is TableLabel.GPT:
        check.compare(0, ("entries_lba",), wanted, found)
        if (wanted.table_length or _GPT_USUAL) != found.table_length:
            check.note(0, b"", "table's length", (wanted.table_length, found.table_length))
        for warning in partition_table.warnings(check.opened, sector_size=found.sector_size):
            check.note(0, b"", "table", ("sound", warning))
    there = {partition.number: partition for partition in found.partitions}
    for partition in wanted.partitions:
        other = there.pop(partition.number, None)
        if other is not None:
            places = ("start", "size") if has_plan else ()
            check.compare(partition.number, (*places, *_PARTITION_EXACT), partition, other)
    for number in there:
        check.note(number, b"", "partition", ("absent", "present"))


def _check_gap(check: _CardCheck, disk: Disk, wanted: Sequence[GapExtent] | None) -> None:
    if wanted is None:
        return
    try:
        with check.reading(0):
            found = boot_gap.read(check.opened, disk)
    except _UnreadableError:
        return
    missing = set(wanted) - set(found)
    strange = set(found) - set(wanted)
    for run in sorted(missing):
        check.note(0, b"", f"boot gap at byte {run.offset}", (_digest(run.data), "otherwise"))
    for run in sorted(strange):
        check.note(0, b"", f"boot gap at byte {run.offset}", ("otherwise", _digest(run.data)))


def _check_raw(check: _CardCheck, place: _PartPlace, wanted: Raw) -> None:
    if not wanted.digest:
        check.unchecked.append(f"partition {place.number}: its bytes are not in the capture")
        return
    total = hashlib.sha256()
    with check.reading(place.number):
        for start in range(0, wanted.size, _CHUNK):
            total.update(place.source.read(start, min(_CHUNK, wanted.size - start)))
    if total.hexdigest() != wanted.digest:
        check.note(place.number, b"", "digest", (wanted.digest, total.hexdigest()))


def _digest(data: bytes) -> str:
    return f"{len(data)} bytes with SHA-256 {hashlib.sha256(data).hexdigest()}"


# File systems ---------------------------------------------------------------------------------


def _ext4(check: _CardCheck, place: _PartPlace, wanted: Ext4) -> FileTree:
    with check.reading(place.number):
        volume = Ext4Reader(place.source)
        found = volume.parameters()
    number = place.number
    check.compare(number, _EXT4_EXACT, wanted, found)
    for name in _EXT4_SETS:
        pair = sorted(getattr(wanted, name)), sorted(getattr(found, name))
        if pair[0] != pair[1]:
            check.note(number, b"", name, pair)
    if not volume.superblock.is_sound:
        check.note(number, b"", "superblock's checksum", ("right", "wrong"))
    if bool(wanted.journal_blocks) != bool(found.journal_blocks):
        check.note(number, b"", "journal_blocks", (wanted.journal_blocks, found.journal_blocks))
    _check_shares(check, number, wanted, found)
    return volume


def _check_shares(check: _CardCheck, number: int, wanted: Ext4, found: Ext4) -> None:
    """Check what may grow and shrink with the file system only, and is rounded then."""
    share = wanted.reserved_blocks * found.blocks / max(wanted.blocks, 1)
    if abs(found.reserved_blocks - share) > 1 + share / 1000:
        check.note(number, b"", "reserved_blocks", (round(share), found.reserved_blocks))
    if wanted.blocks == found.blocks and found.inodes < wanted.inodes:
        check.note(number, b"", "inodes", (wanted.inodes, found.inodes))


def _fat(check: _CardCheck, place: _PartPlace, wanted: Fat) -> FileTree:
    with check.reading(place.number):
        volume = FatReader(place.source)
        found = volume.parameters()
        is_dirty = volume.is_dirty
    sizes = ("sectors_per_cluster",) if wanted.sectors == found.sectors else ()
    check.compare(place.number, (*_FAT_EXACT, *sizes), wanted, found)
    if is_dirty:
        check.note(place.number, b"", "mark", ("clean", "in use"))
    return volume


def _check_other(
    check: _CardCheck, place: _PartPlace, wanted: Other, expected: Iterable[Entry]
) -> None:
    """Check a file system that only the kernel can read, where it can."""
    with check.reading(place.number):
        found = probe.probe(place.source)
    if not isinstance(found, Other):
        check.note(place.number, b"", "type", (wanted.type, str(found)))
        return
    check.compare(place.number, ("type", "uuid", "label"), wanted, found)
    if check.machine is None:
        obstacle = "nobody mounted it"
    elif wanted.type not in _MOUNT_OPTIONS:
        obstacle = "it is of a kind that we do not mount"
    else:
        obstacle = loop_device.obstacle(wanted.type, check.machine)
    if obstacle or check.machine is None:
        check.leave_unchecked(
            f"partition {place.number}: the files of a {wanted.type}: {obstacle}"
        )
        return
    with (
        check.reading(place.number),
        loop_device.attached(
            check.path, offset=place.offset, size=place.source.size, machine=check.machine,
            words=loop_device.READ_ONLY,
        ) as device,
        loop_device.mounted(
            device, kind=wanted.type, options=_MOUNT_OPTIONS[wanted.type], machine=check.machine
        ) as root,
    ):  # fmt: skip
        _compare(check, place, kernel_reader.entries(root, check.meter.add), expected)


def _check_entries(
    check: _CardCheck,
    place: _PartPlace,
    volume: FileTree,
    expected: Iterable[Entry],
    *,
    anew: frozenset[bytes] = frozenset(),
) -> None:
    """Compare every entry; an error of the expected stream is not the card's and goes on up."""
    _compare(check, place, _read(check, place, volume), expected, anew=anew)


def _compare(
    check: _CardCheck,
    place: _PartPlace,
    found: Iterable[Entry],
    expected: Iterable[Entry],
    *,
    anew: frozenset[bytes] = frozenset(),
) -> None:
    omitted: set[bytes] = set()
    wanted = check.counted(_noting_omitted(expected, omitted))
    for difference in entry_streams.differences(wanted, found):
        if difference.field in _OF_CONTENT and difference.path.rpartition(b"/")[2].lower() in anew:
            check.leave_unchecked(
                f"partition {place.number}: {paths.display(difference.path)}, which its installer "
                "wrote anew"
            )
            continue
        # What was left out of the capture is made anew, or empty: nobody knows its bytes.
        if difference.field != "digest" or difference.path not in omitted:
            check.note(
                place.number,
                difference.path,
                difference.field,
                (difference.wanted, difference.found),
            )


def _noting_omitted(entries: Iterable[Entry], omitted: set[bytes]) -> Iterator[Entry]:
    for entry in entries:
        if entry.omitted is not Omitted.NOTHING:
            omitted.add(entry.path)
        yield entry


def _read(check: _CardCheck, place: _PartPlace, volume: FileTree) -> Iterator[Entry]:
    most = max(file_tree.LOGICAL_MAX, 2 * place.content_bytes)
    with (
        check.reading(place.number),
        hash_worker.hash_worker(place.source.below, check.meter.add) as hasher,
    ):
        yield from volume.entries(Content.HASHED, logical_max=most, hasher=hasher)


def _shown(name: str, value: object) -> str:
    """Write a value for people."""
    match value:
        case bytes():
            return (value.hex() or "none") if name == "digest" else repr(paths.display(value))
        case int() if name == "mode":
            return f"{value:04o}"
        case int() if name in {"flags", "media", "volume_id"}:
            return f"{value:#x}"
        case dict():
            pairs = (f"{key}={content.hex()}" for key, content in sorted(value.items()))
            return ", ".join(pairs) or "none"
        case EntryType():
            return value.name.lower()
        case _:
            return str(value)


# Progress -------------------------------------------------------------------------------------


class _Meter:
    """Counts bytes, and tells about them now and then."""

    def __init__(self, tell: Callable[[int], None]) -> None:
        self._tell = tell
        self._total = 0
        self._told = 0
        self._lock = threading.Lock()

    def add(self, count: int) -> None:
        with self._lock:
            self._total += count
            if self._total - self._told >= _STEP:
                self._told = self._total
                self._tell(self._total)


class _Metered:
    """A source whose reading is counted."""

    def __init__(self, source: ByteSource, meter: _Meter) -> None:
        self.below = source
        self._meter = meter

    @property
    def size(self) -> int:
        """Bytes."""
        return self.below.size

    def read(self, offset: int, length: int) -> bytes:
        """Return length bytes from offset; EOFError when there are not so many."""
        self._meter.add(length)
        return self.below.read(offset, length)
