"""A sealed capture with its files as they are to be on the target: as captured, or a sibling's."""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Literal

from holdstill.disks import boot_gap
from holdstill.errors import UsageError, VerificationError
from holdstill.filesystems import content_parts
from holdstill.filesystems.kernel_filled.subvolume_trees import SubvolumeTree
from holdstill.filesystems.swap import swap_writer
from holdstill.model import attachment_names, names, pieces, tree_views
from holdstill.model.layout import ArrayMember, Luks, LvmPv
from holdstill.rebuild import disk_choice, gathered_groups, new_identity, sibling_changes
from holdstill.rebuild.id_map import IdMap
from holdstill.rebuild.new_identity import IdentityChange
from holdstill.rebuild.overlay import Overlay
from holdstill.rebuild.reference_changes import ReferenceChanges
from holdstill.rebuild.small_files import SmallFileReader
from holdstill.rebuild.ssh_host_keys import SshKeygen
from holdstill.records import assembled, captured_gap

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.disks.boot_gap import GapExtent
    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.model.pieces import Part, PieceList
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.model.unlocking import ContainerKey
    from holdstill.rebuild.new_identity import NewIdentity
    from holdstill.records.index_queries import Index
    from holdstill.system.process import Runner


@dataclass(frozen=True)
class Renamed:
    """Names of partitions, and what they become; of devices, what is written in their place."""

    ids: Mapping[str, str] = field(default_factory=dict)
    devices: Mapping[str, str] = field(default_factory=dict)

    @property
    def words(self) -> IdMap:
        """The same, to be found in files."""
        return IdMap(self.ids, devices=self.devices)

    def then(self, identity: NewIdentity) -> NewIdentity:
        """Return a new identity for files that have the names of before."""
        again = {old: identity.ids.get(new, new) for old, new in self.ids.items()}
        devices = {
            node: f"{kind}={identity.ids.get(value, value)}"
            for node, words in self.devices.items()
            for kind, _, value in [words.partition("=")]
        }
        return replace(identity, ids={**identity.ids, **again}, devices=devices)


@dataclass(frozen=True)
class RebuildSource:
    """What is rebuilt.

    Attributes:
        capture: gives the contents.
        manifest: of the capture, or of the sibling that is made of it.
        overlay: what differs from the captured files.
        place: which of several disks it is, 1 for the first; 0 where it is all there is.
        renamed: ids and device nodes of the board, and what they become on one disk.
        notes: what is not as on the captured disks.
        keys: that containers have to know beside their passphrase.
    """

    capture: SealedCapture
    manifest: Manifest
    index: Index
    overlay: Overlay = field(default_factory=Overlay)
    place: int = 0
    renamed: Renamed = field(default_factory=Renamed)
    notes: tuple[str, ...] = ()
    keys: tuple[ContainerKey, ...] = ()

    def entries(self, part: int) -> Iterator[Entry]:
        """Yield the entries of a partition as they are to be on the target."""
        return self.overlay.adjusted(part, self.index.entries(part))

    def written(self, part: int) -> Iterator[Entry]:
        """Yield the same entries for a writer, which opens the content of each in its turn."""
        return self.overlay.adjusted(part, self.capture.prefetch(self.index.entries(part)))

    def measured(self, part: int) -> Iterator[Entry]:
        """Yield the same entries for a reader that finds the holes in sparse files."""
        sparse = self.capture.prefetch(self.index.entries(part), lambda entry: bool(entry.sparse))
        return self.overlay.adjusted(part, sparse)

    def subvolumes(self, number: int) -> list[SubvolumeTree]:
        """Return the subvolumes of a partition, with their entries."""
        return [
            SubvolumeTree(
                kind,
                partial(self.written, tree),
                partial(self.entries, tree),
                swap_writer.file_headers(
                    tuple(file for file in self.manifest.swap_files if file.partition == tree)
                ),
            )
            for tree, kind in self.manifest.subvolumes(number)
        ]

    def boot_gap(self, stated: Attachment) -> list[GapExtent]:
        """Return the extents of the boot gap.

        Raises:
            VerificationError: it is damaged in the store.
            SecurityError: it is none.
        """
        name = f"{self.capture.board}/{self.capture.name}"
        return captured_gap.read(self.capture, stated, of=name)

    def raw_pieces(self, number: int) -> Iterator[tuple[Part, bytes]]:
        """Yield the pieces of a raw partition with their bytes, checked.

        Raises:
            VerificationError: the capture has none of this number, or it is damaged.
        """
        name = attachment_names.raw_name(number)
        for raw in self.manifest.raws:
            if raw.name == name:
                return self.pieces_of(raw)[1]
        raise VerificationError(f"the capture has no bytes of partition {number}")

    def pieces_of(self, attachment: Attachment) -> tuple[PieceList, Iterator[tuple[Part, bytes]]]:
        """Return the list of something that is written as it is, and its pieces, checked.

        Raises:
            VerificationError: it is damaged in the store; of a piece, when that is drawn.
        """
        listed = assembled.read_list(self.capture, attachment)
        return listed, assembled.parts(self.capture, listed, attachment.name)

    def keys_of(self, number: int) -> list[ContainerKey]:
        """Return the keys that a container has to know beside its passphrase."""
        return [key for key in self.keys if key.container == number]

    def check_attachments(self, *, boot_areas: bool) -> None:
        """Read boot gap, raw partitions and, if wanted, boot areas: they are written as they are.

        Raises:
            VerificationError: one is damaged in the store.
        """
        if self.manifest.gap:
            self.boot_gap(self.manifest.gap)
        areas = self.manifest.boot_areas if boot_areas else ()
        for item in (*areas, *self.manifest.raws):
            for _ in self.pieces_of(item)[1]:
                pass

    def check_lists(self) -> None:
        """Read the lists of pieces of all large files that are to be written.

        Raises:
            VerificationError, SecurityError: one is damaged in the store, or no list.
        """
        for part in (part.number for part in self.manifest.parts):
            for entry in self.index.large(part, pieces.PIECED_FROM):
                if (part, entry.path) not in self.overlay.lost:
                    content_parts.read_list(self.capture, entry.digest, entry.size)


@contextmanager
def opened(capture: SealedCapture) -> Iterator[RebuildSource]:
    """Hold a capture open for rebuilding it as it was: a replacement for the board's card.

    Raises:
        VerificationError: its index is damaged in the store.
    """
    with assembled.opened_index(capture) as index:
        yield RebuildSource(capture, capture.manifest(), index)


def of_disk(source: RebuildSource, disk: int | Literal["all"] | None) -> RebuildSource:
    """Return a source of one disk: the one with this number, or all put onto one.

    Raises:
        TargetRefusedError: they cannot be put onto one.
        VerificationError: a file that names partitions is damaged in the store.
    """
    return _gathered(_chosen(source, disk))


def _chosen(source: RebuildSource, disk: int | Literal["all"] | None) -> RebuildSource:
    several = len(source.manifest.disks) > 1
    if disk == "all":
        return _on_one(source) if several else source
    only = disk_choice.only(source.manifest, disk or 1)
    return replace(source, manifest=only, place=disk or 1) if several else source


def _gathered(source: RebuildSource) -> RebuildSource:
    """Return a source whose volume groups are where each of their volumes can be in one piece."""
    manifest, notes = gathered_groups.made(source.manifest)
    return replace(source, manifest=manifest, notes=(*source.notes, *notes)) if notes else source


def _on_one(source: RebuildSource) -> RebuildSource:
    made = disk_choice.merged(source.manifest)
    renamed = Renamed(made.ids, made.devices)
    reader = SmallFileReader(source.index, source.capture, source.overlay.lost)
    references = ReferenceChanges(reader, renamed.words)
    for part in made.manifest.parts:
        references.visit(part.number, (view.inside for view in part.views))
        if tree_views.root_folder(part.views):
            what = "has systems in folders: those that were not running are left as they are"
            references.left.append(IdentityChange(f"partition {part.label}", what))
    references.note_initramfs(part.number for part in made.manifest.parts)
    notes = (*made.notes, *map(str, references.changes), *map(str, references.left))
    overlay = replace(source.overlay, files={**source.overlay.files, **references.files})
    return replace(source, manifest=made.manifest, overlay=overlay, renamed=renamed, notes=notes)


def sibling(
    source: RebuildSource, name: str, machine: Runner
) -> tuple[RebuildSource, tuple[str, ...]]:
    """Turn a source into that of another board; return it with a list of what differs.

    Raises:
        UsageError: it is one disk of several, or / is a folder of a partition.
        VerificationError: a file's content does not match its digest.
    """
    if source.place:
        raise UsageError(
            "another board is made of all disks together: each alone would not find the others",
            hint="put them onto one larger disk: `--disk all --as NAME`",
        )
    if any(tree_views.root_folder(part.views) for part in source.manifest.parts):
        raise UsageError(
            "another board cannot be made of this capture: its / is a folder of a partition, and "
            "other systems in it would still be the old board",
            hint="without --as NAME it can be rebuilt as it was",
        )
    gap = source.manifest.gap
    identity = new_identity.invent(source.manifest, names.check_board(name), os.urandom)
    made = sibling_changes.make_sibling(
        source.manifest,
        source.renamed.then(identity),
        files=source.index,
        contents=source.capture,
        tools=sibling_changes.SiblingTools(os.urandom, SshKeygen(machine)),
        gap=assembled.read(source.capture, gap, limit=boot_gap.SIZE_MAX) if gap else b"",
        lost=source.overlay.lost,
    )
    left = list(map(str, made.left))
    if source.manifest.root_file is not None:
        left.append(f"{source.manifest.root_file}: name, machine id and SSH host keys in it")
    if any(
        isinstance(part.file_system, LvmPv | Luks | ArrayMember) for part in source.manifest.parts
    ):
        left.append(
            "names and ids of LVM, LUKS and arrays, and key files: with both cards in one "
            "machine, it takes them for one"
        )
    changes = (*map(str, made.changes), *(f"left as it is: {what}" for what in left))
    return replace(source, manifest=made.manifest, overlay=made.overlay), changes
