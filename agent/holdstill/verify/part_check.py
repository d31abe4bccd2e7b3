"""Checks of one partition: parameters of its file system, and every field of every entry."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from holdstill.disks import md_superblock
from holdstill.filesystems import file_tree, hash_worker, probe
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.filesystems.fat.fat_reader import FatReader
from holdstill.filesystems.file_tree import Content
from holdstill.filesystems.kernel_filled import btrfs_reader, kernel_reader
from holdstill.filesystems.swap import swap_reader
from holdstill.model import entries as entry_streams
from holdstill.model import paths, pieces
from holdstill.model.entries import Entry, Omitted
from holdstill.model.layout import (
    ArrayMember,
    Container,
    Ext4,
    Fat,
    Luks,
    LvmPv,
    Other,
    Raw,
    Subvolume,
    Swap,
)
from holdstill.system import loop_device

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.filesystems.file_tree import FileTree
    from holdstill.model.layout import FileSystem
    from holdstill.system.process import Runner
    from holdstill.verify.card_report import CardFindings
    from holdstill.verify.metered_source import Meter, MeteredSource

_EXT4_EXACT = (
    "uuid", "label", "block_size", "inode_size", "hash_seed", "reserved_uid", "reserved_gid",
    "errors", "mount_opts", "max_mount_count", "check_interval", "stride", "stripe_width",
)  # fmt: skip
_EXT4_SETS = ("features", "mount_defaults")
_NOT_KEPT = frozenset({"mmp"})
"""What a rebuild leaves out, and says so: a guard against two machines at one disk."""
_INSTALLED = frozenset({b"ldlinux.sys", b"ldlinux.c32"})
"""Files of SYSLINUX in a FAT: its installer writes them, with the sectors that they occupy."""
_MOUNT_OPTIONS = {"xfs": "ro,norecovery,nouuid", "btrfs": "ro,subvolid=5", "f2fs": "ro"}
"""Nothing is to be written, not even a journal's end; another xfs of this UUID may be mounted; all
of a btrfs is to be seen, whatever its default subvolume is."""
_OF_CONTENT = frozenset({"digest", "size", "mtime_ns"})
_FAT_EXACT = (
    "bits", "volume_id", "label", "sector_size", "reserved_sectors", "fats", "root_entries",
    "hidden_sectors", "media", "oem",
)  # fmt: skip
_ARRAY_EXACT = ("uuid", "name", "version", "members", "first_byte")
_SWAP_EXACT = ("uuid", "label", "page_size")


def _set_of(parameters: Ext4, name: str) -> list[str]:
    return sorted(set(getattr(parameters, name)) - _NOT_KEPT)


@dataclass(frozen=True)
class PartCheck:
    """One partition on a card, to be checked.

    Attributes:
        findings: collects what differs.
        offset: of the partition, bytes from the start of the card.
        content_bytes: that its files should have.
        path: the card or image.
        machine: mounts, read-only, what only the kernel can read; None leaves that unchecked.
    """

    findings: CardFindings
    number: int
    source: MeteredSource
    meter: Meter
    offset: int
    content_bytes: int
    path: Path
    machine: Runner | None

    def check(
        self,
        wanted: FileSystem,
        expected: Callable[[int], Iterable[Entry]],
        subvolumes: Sequence[tuple[int, Subvolume]] = (),
    ) -> None:
        """Check the partition against the parameters and entries that it should have.

        Raises:
            UnreadablePartError: the rest cannot be read; that was recorded.
        """
        match wanted:
            case Ext4():
                self._compare(self._read(self._ext4(wanted)), expected(self.number))
            case Fat():
                found_entries = self._read(self._fat(wanted))
                self._compare(found_entries, expected(self.number), installed=_INSTALLED)
            case Swap():
                with self.findings.reading(self.number):
                    found = swap_reader.read(self.source)
                self.findings.compare(self.number, _SWAP_EXACT, wanted, found)
            case Raw():
                self._check_raw(wanted)
            case Other():
                self._check_other(wanted, expected, subvolumes)
            case Container() | Subvolume() | LvmPv() | Luks():
                pass  # the table, or the partition, has all there is to check
            case ArrayMember():
                with self.findings.reading(self.number):
                    member = md_superblock.read(self.source).member
                self.findings.compare(self.number, _ARRAY_EXACT, wanted, member)

    def _check_raw(self, wanted: Raw) -> None:
        if not wanted.digest:
            self.findings.unchecked.append(
                f"partition {self.number}: its bytes are not in the capture"
            )
            return
        with self.findings.reading(self.number):
            found = pieces.of_reader(wanted.size, pieces.PIECE, self.source.read)
            if (digest := found.digest().hex()) != wanted.digest:
                self.findings.note(self.number, b"", "digest", (wanted.digest, digest))

    def _ext4(self, wanted: Ext4) -> FileTree:
        with self.findings.reading(self.number):
            volume = Ext4Reader(self.source)
            found = volume.parameters()
        self.findings.compare(self.number, _EXT4_EXACT, wanted, found)
        for name in _EXT4_SETS:
            pair = _set_of(wanted, name), _set_of(found, name)
            if pair[0] != pair[1]:
                self.findings.note(self.number, b"", name, pair)
        if not volume.superblock.is_sound:
            self.findings.note(self.number, b"", "superblock's checksum", ("right", "wrong"))
        # One that was on another device is made inside.
        has_journal = "has_journal" in wanted.features or bool(wanted.journal_blocks)
        if has_journal != bool(found.journal_blocks):
            self.findings.note(
                self.number, b"", "journal_blocks", (wanted.journal_blocks, found.journal_blocks)
            )
        # Check what may grow and shrink with the file system only, and is rounded then.
        share = wanted.reserved_blocks * found.blocks / max(wanted.blocks, 1)
        if abs(found.reserved_blocks - share) > 1 + share / 1000:
            self.findings.note(
                self.number, b"", "reserved_blocks", (round(share), found.reserved_blocks)
            )
        if wanted.blocks == found.blocks and found.inodes < wanted.inodes:
            self.findings.note(self.number, b"", "inodes", (wanted.inodes, found.inodes))
        return volume

    def _fat(self, wanted: Fat) -> FileTree:
        with self.findings.reading(self.number):
            volume = FatReader(self.source)
            found = volume.parameters()
            is_dirty = volume.is_dirty
        sizes = ("sectors_per_cluster",) if wanted.sectors == found.sectors else ()
        self.findings.compare(self.number, (*_FAT_EXACT, *sizes), wanted, found)
        if is_dirty:
            self.findings.note(self.number, b"", "mark", ("clean", "in use"))
        return volume

    def _check_other(
        self,
        wanted: Other,
        expected: Callable[[int], Iterable[Entry]],
        subvolumes: Sequence[tuple[int, Subvolume]],
    ) -> None:
        """Check a file system that only the kernel can read, where it can."""
        with self.findings.reading(self.number):
            found = probe.probe(self.source)
        if not isinstance(found, Other):
            self.findings.note(self.number, b"", "type", (wanted.type, str(found)))
            return
        self.findings.compare(self.number, ("type", "uuid", "label"), wanted, found)
        if self.machine is None:
            obstacle = "nobody mounted it"
        elif wanted.type not in _MOUNT_OPTIONS:
            obstacle = "it is of a kind that we do not mount"
        else:
            obstacle = loop_device.obstacle(wanted.type, self.machine)
        if obstacle or self.machine is None:
            self.findings.leave_unchecked(
                f"partition {self.number}: the files of a {wanted.type}: {obstacle}"
            )
            return
        with (
            self.findings.reading(self.number),
            loop_device.attached(
                self.path, offset=self.offset, size=self.source.size, machine=self.machine,
                words=loop_device.READ_ONLY,
            ) as device,
            loop_device.mounted(
                device, kind=wanted.type, options=_MOUNT_OPTIONS[wanted.type], machine=self.machine
            ) as root,
        ):  # fmt: skip
            self.check_tree(root, expected)
            if wanted.type == "btrfs":
                self._check_subvolumes(root, self.machine, expected, subvolumes)

    def check_tree(self, root: int, expected: Callable[[int], Iterable[Entry]]) -> None:
        """Check the tree below an open directory."""
        self._compare(kernel_reader.entries(root, self.meter.add), expected(self.number))

    def _check_subvolumes(
        self,
        top: int,
        machine: Runner,
        expected: Callable[[int], Iterable[Entry]],
        wanted: Sequence[tuple[int, Subvolume]],
    ) -> None:
        """Check that there are these subvolumes, as they were, with all that is in them."""
        there = btrfs_reader.subvolumes(top, machine)
        for number, kind in wanted:
            found = there.pop(kind.path.encode(), None)
            if found is None:
                self.findings.note(number, b"", "subvolume", ("present", "missing"))
                continue
            for name in ("is_read_only", "is_default"):
                if getattr(kind, name) != getattr(found, name):
                    pair = getattr(kind, name), getattr(found, name)
                    self.findings.note(number, b"", name, pair)
            with btrfs_reader.opened(top, kind.path.encode()) as root:
                replace(self, number=number).check_tree(root, expected)
        for path in there:
            self.findings.note(self.number, path, "subvolume", ("absent", "present"))

    def _compare(
        self,
        found: Iterable[Entry],
        expected: Iterable[Entry],
        *,
        installed: frozenset[bytes] = frozenset(),
    ) -> None:
        """Compare every entry; an error of the expected stream is raised: it is not the card's."""
        omitted: set[bytes] = set()

        def noting_omitted(entries: Iterable[Entry]) -> Iterator[Entry]:
            for entry in entries:
                if entry.omitted is not Omitted.NOTHING:
                    omitted.add(entry.path)
                yield entry

        wanted = self.findings.counted(noting_omitted(expected))
        for difference in entry_streams.differences(wanted, found):
            if (
                difference.field in _OF_CONTENT
                and difference.path.rpartition(b"/")[2].lower() in installed
            ):
                name = paths.display(difference.path)
                self.findings.leave_unchecked(
                    f"partition {self.number}: {name}, which its installer wrote"
                )
                continue
            # A file whose content was omitted is made empty: its bytes are not in the capture.
            if difference.field != "digest" or difference.path not in omitted:
                self.findings.note(
                    self.number,
                    difference.path,
                    difference.field,
                    (difference.wanted, difference.found),
                )

    def _read(self, volume: FileTree) -> Iterator[Entry]:
        most = max(file_tree.LOGICAL_MAX, 2 * self.content_bytes)
        with (
            self.findings.reading(self.number),
            hash_worker.hash_worker(self.source.below, self.meter.add) as hasher,
        ):
            yield from volume.entries(Content.HASHED, logical_max=most, hasher=hasher)
