"""The manifest: what a capture is, and everything needed to rebuild a card but the contents."""

from __future__ import annotations

from enum import StrEnum

from holdstill.model import tree_views
from holdstill.model.card_reading import CardReading
from holdstill.model.finding import Finding
from holdstill.model.layout import Disk, FileSystem, Luks, Raw, Record, Subvolume
from holdstill.model.tree_views import TreeView

FORMAT = 1
LIMIT = 1 << 20
"""Bytes of a manifest that we are willing to read; strict_yaml limits its shape as well."""
UNREADABLE_LISTED = 500
"""Unreadable files of a partition that are listed; the index marks all of them."""


class Grade(StrEnum):
    """How consistent the copy of one file system is."""

    POINT_IN_TIME = "point-in-time"
    """Frozen together with the others: one instant."""
    READ_ONLY = "read-only"
    """It was, or was made, read-only; or it was not mounted."""
    SETTLED = "settled"
    """Could not be frozen: copied until two passes agreed."""
    LIVE = "live"
    """None of these: parts may be of different moments."""


class BoardIdentity(Record, frozen=True, kw_only=True):
    """Which board this is."""

    name: str
    machine_id: str = ""
    hostname: str = ""
    model: str = ""
    kernel: str = ""
    architecture: str = ""
    system: str = ""


class Moment(Record, frozen=True, kw_only=True):
    """When the capture was taken: wall clock for people, the rest to judge it by.

    Attributes:
        taken_at: UTC, RFC 3339 with Z.
        monotonic: seconds since boot at the same instant.
        clock_trusted: whether the clock was known to be synchronised.
    """

    taken_at: str
    monotonic: float
    boot_id: str = ""
    clock_trusted: bool


class Pause(Record, frozen=True, kw_only=True):
    """What holding still cost; times in milliseconds.

    Attributes:
        window_ms: from the first quiesce action to the last resume action.
        frozen_ms: from the first freeze to the last thaw; 0 when nothing was frozen.
        rounds: hot rounds before it.
        predicted_ms: what the frozen span was expected to be.
        spool_bytes: bytes copied to memory inside it.
        hooks: names of the hooks that ran.
    """

    window_ms: float = 0.0
    frozen_ms: float = 0.0
    rounds: int = 0
    predicted_ms: float = 0.0
    spool_bytes: int = 0
    hooks: tuple[str, ...] = ()


class CapturedPart(Record, frozen=True, kw_only=True):
    """One partition in the capture, or one subvolume of it.

    Attributes:
        mount: where it was mounted on the board (display form), "" when it was not.
        views: where folders of it were seen, if / was one of them, or nothing but folders was.
        options: mount options at that time.
        detection: how changes were found: `inode-tables`, `fanotify` (and a first look
            at everything), `restat` or `whole`.
        large_files: how changes in large files were found: `traced`, by what the kernel says was
            written to the disk; `extents`, by where they lie; `whole`, copied whole in the pause.
        large_files_why: why so, or what went wrong; "" for nothing to say.
        entries, files, content_bytes: counts of the index; content_bytes is the sum of sizes.
        excluded: patterns whose contents are not in the capture.
        unreadable: paths (display form) whose content could not be read; of very many, the first
            ones and how many more there are.
    """

    number: int
    grade: Grade
    file_system: FileSystem
    mount: str = ""
    views: tuple[TreeView, ...] = ()
    options: str = ""
    detection: str = ""
    large_files: str = ""
    large_files_why: str = ""
    entries: int = 0
    files: int = 0
    content_bytes: int = 0
    excluded: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()

    @property
    def seen(self) -> tuple[TreeView, ...]:
        """Where it was seen, as a whole or by its folders."""
        return (*tree_views.at_top(self.mount), *self.views)

    @property
    def partition(self) -> int:
        """The number of the partition that it is, or that it is a subvolume of."""
        return self.file_system.of if isinstance(self.file_system, Subvolume) else self.number

    @property
    def label(self) -> str:
        """What people call it: its number; of a subvolume that of the partition, and its path."""
        if isinstance(self.file_system, Subvolume):
            return f"{self.file_system.of}:{self.file_system.path}"
        return str(self.number)


class SwapFile(Record, frozen=True, kw_only=True):
    """A swap file whose existence is kept and whose content is not.

    Attributes:
        partition: number of the partition, or subvolume, that it is in.
        path: in that, in display form.
        page_size: bytes of a page, whose first one has the header; 0 where that was not read.
    """

    partition: int
    path: str
    size: int
    uuid: str = ""
    label: str = ""
    page_size: int = 0


class RootFile(Record, frozen=True, kw_only=True):
    """The file of a partition that the board's / is in, an image of a file system or disk.

    Attributes:
        partition: its number.
        path: in that, from its top, in display form.
    """

    partition: int
    path: str

    def __str__(self) -> str:
        return f"/ is in {self.path} of partition {self.partition}"


class Attachment(Record, frozen=True, kw_only=True):
    """What a manifest names beside the files: index, boot gap, boot area, raw partition.

    Attributes:
        sha256: of its list of pieces (`model.pieces`), which is a content.
        size: bytes of what the pieces make.
    """

    name: str
    sha256: str
    size: int


class FurtherDisk(Record, frozen=True, kw_only=True):
    """A disk of the board beside the first one, of the same instant.

    Attributes:
        disk: its partitions are numbered on by `layout.DISK_STEP`.
        gap: what is before its first partition.
        boot_areas: of its own areas beside its sectors those that hold anything.
    """

    disk: Disk
    gap: Attachment | None = None
    boot_areas: tuple[Attachment, ...] = ()


class Manifest(Record, frozen=True, kw_only=True):
    """One capture of one board.

    Attributes:
        format: version of this document.
        seq: number of the capture, from 1, without gaps at the keeper.
        run: the run that made it.
        previous: SHA-256 of the previous capture's manifest bytes, "" for the first.
        last_known: number of the last capture that this machine knows to be sealed; 0 for none.
        disk, gap: the disk that the board begins to boot from, and what is before its first
            partition.
        boot_areas: of an eMMC's own areas beside its sectors (`attachment_names.EMMC_AREAS`)
            those that hold anything, each whole, from its first byte on.
        further_disks: the others, which it needs as well.
        parts: every partition of all disks, in table order, each with its subvolumes.
        root_file: of a board whose / is in a file of one of these.
        index, raws: attachments.
        card: the last reading of the card that was taken before this capture; None for none.
        seconds: from the beginning of the run until this was written; 0 where it was not measured.
        findings: what of the board is not in it, could not be rebuilt from it, or is left out by
            the owner's word.
    """

    format: int
    agent: str
    board: BoardIdentity
    seq: int
    run: str
    previous: str = ""
    last_known: int = 0
    moment: Moment
    disk: Disk
    further_disks: tuple[FurtherDisk, ...] = ()
    parts: tuple[CapturedPart, ...]
    root_file: RootFile | None = None
    swap_files: tuple[SwapFile, ...] = ()
    pause: Pause
    index: Attachment
    gap: Attachment | None = None
    boot_areas: tuple[Attachment, ...] = ()
    raws: tuple[Attachment, ...] = ()
    card: CardReading | None = None
    seconds: float = 0.0
    findings: tuple[Finding, ...] = ()
    warnings: tuple[str, ...] = ()

    def part(self, number: int) -> CapturedPart:
        """Return the part in this partition slot; KeyError when there is none."""
        for part in self.parts:
            if part.number == number:
                return part
        raise KeyError(number)

    @property
    def disks(self) -> tuple[Disk, ...]:
        """Every disk; the first one is that which the board begins to boot from."""
        return (self.disk, *(further.disk for further in self.further_disks))

    @property
    def gaps(self) -> tuple[Attachment, ...]:
        """What is before the first partition of every disk that has anything there."""
        return tuple(gap for gap in self.gaps_by_disk if gap is not None)

    @property
    def gaps_by_disk(self) -> tuple[Attachment | None, ...]:
        """The same with a place for every disk; None where there is nothing."""
        return (self.gap, *(further.gap for further in self.further_disks))

    @property
    def boot_areas_by_disk(self) -> tuple[tuple[Attachment, ...], ...]:
        """What every disk has in areas of its own, with a place for every disk."""
        return (self.boot_areas, *(further.boot_areas for further in self.further_disks))

    def disk_of(self, part: CapturedPart) -> Disk:
        """Return the disk that a part is on; KeyError when none has its partition."""
        for disk in self.disks:
            if any(area.number == part.partition for area in disk.areas):
                return disk
        raise KeyError(part.partition)

    def subvolumes(self, number: int) -> tuple[tuple[int, Subvolume], ...]:
        """Return the subvolumes of a partition with their numbers, each behind what it is in."""
        found = [
            (part.number, part.file_system)
            for part in self.parts
            if isinstance(part.file_system, Subvolume) and part.file_system.of == number
        ]
        return tuple(sorted(found, key=lambda one: one[1].path.split("/")))

    @property
    def in_containers(self) -> frozenset[int]:
        """The numbers of all volumes in encrypted containers, at any depth."""
        around = {part.number for part in self.parts if isinstance(part.file_system, Luks)}
        found = set[int]()
        for disk in self.disks:
            for volume in disk.volumes:  # each behind what it is in
                if volume.of in around | found:
                    found.add(volume.number)
        return frozenset(found)

    @property
    def in_clear(self) -> bool:
        """Whether it holds, unencrypted, anything that was in an encrypted container."""
        inside = self.in_containers
        return any(
            part.entries or (isinstance(part.file_system, Raw) and part.file_system.digest)
            for part in self.parts
            if part.partition in inside
        )

    @property
    def grade(self) -> Grade:
        """The weakest grade of all parts: a capture is only as consistent as that.

        Nothing changes in what is read-only, so it belongs to the instant of what was frozen.
        """
        order = (Grade.READ_ONLY, Grade.POINT_IN_TIME, Grade.SETTLED, Grade.LIVE)
        return max((part.grade for part in self.parts), key=order.index, default=Grade.LIVE)
