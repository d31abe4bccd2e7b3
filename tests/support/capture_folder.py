"""A capture whose parts lie in one folder of the test's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from support.contents import FolderContents


@dataclass(frozen=True)
class CaptureFolder:
    """What a rebuild is handed of a capture (holdstill.workflow.rebuild)."""

    folder: Path
    made: Manifest
    contents: FolderContents

    @property
    def index_path(self) -> Path:
        """Its index."""
        return self.folder / "index.sqlite"

    @property
    def gap_path(self) -> Path | None:
        """Its boot gap, if it has one."""
        return self.folder / "gap.bin" if self.made.gap else None

    def raw_path(self, number: int) -> Path:
        """Return the bytes of a raw partition."""
        return self.folder / f"raw-{number}.bin"

    def manifest(self) -> Manifest:
        """Return its manifest."""
        return self.made

    def open(self, digest: bytes) -> int:
        """Open a content; the caller closes."""
        return self.contents.open(digest)
