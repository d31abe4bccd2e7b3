"""A capture whose parts lie in one folder of the test's."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.disks import partition_table
from holdstill.model.names import BoardName, CaptureName
from holdstill.records import index_file
from holdstill.system import byte_source
from holdstill.workflow.rebuild_source import RebuildSource
from support import cards, loop

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from holdstill.model.boot import BootFinding
    from holdstill.model.entries import Entry
    from holdstill.model.layout import FileSystem
    from holdstill.model.manifest import Manifest
    from holdstill.model.pieces import Part
    from support.contents import FolderContents


PIER_3, NUMBER_42 = BoardName("pier-3"), CaptureName(42, "20261125T021503Z")


@dataclass(frozen=True)
class CaptureFolder:
    """A capture as a rebuild reads it (holdstill.model.sealed_capture)."""

    folder: Path
    made: Manifest
    contents: FolderContents
    board: BoardName = PIER_3
    name: CaptureName = NUMBER_42
    faults: tuple[str, ...] = ()
    is_local: bool = True
    boot: BootFinding | None = None
    content_trouble: str = ""
    note: str = ""

    def manifest(self) -> Manifest:
        """Return its manifest."""
        return self.made

    def open(self, digest: bytes) -> int:
        """Open a content; the caller closes."""
        return self.contents.open(digest)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts."""
        yield from parts

    def prefetch(
        self, entries: Iterable[Entry], wanted: Callable[[Entry], bool] = bool
    ) -> Iterator[Entry]:
        """Yield the same entries."""
        yield from entries


@contextmanager
def captured(
    folder: Path,
    entries: Iterable[Entry],
    contents: FolderContents,
    *,
    parameters: FileSystem,
    size: int,
) -> Iterator[RebuildSource]:
    """Hold a capture of a card of a size whose manifest says what its one partition is."""
    script = "label: dos\nstart=8192, type=83\n"
    image = loop.partitioned_image(folder / "card.img", size=size, script=script)
    with byte_source.opened(image) as card:
        disk = partition_table.read(card)
    kept = CaptureFolder(folder, cards.manifest_of(disk, {1: parameters}), contents)
    with index_file.created(folder / "index.sqlite") as index:
        index.put_all(1, entries, seq=1)
    with index_file.opened(folder / "index.sqlite") as index:
        yield RebuildSource(kept, kept.made, index)
