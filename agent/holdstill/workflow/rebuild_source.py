"""A sealed capture with its files as they are to be on the target: as captured, or a sibling's."""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from holdstill.disks import boot_gap
from holdstill.errors import VerificationError
from holdstill.model import names
from holdstill.rebuild import new_identity, sibling_changes
from holdstill.rebuild.overlay import Overlay
from holdstill.rebuild.ssh_host_keys import SshKeygen
from holdstill.records import index_file
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.disks.boot_gap import GapExtent
    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.records.index_queries import Index
    from holdstill.system.process import Runner


@dataclass(frozen=True)
class RebuildSource:
    """What is rebuilt.

    Attributes:
        capture: gives the contents.
        manifest: of the capture, or of the sibling that is made of it.
        overlay: what differs from the captured files.
    """

    capture: SealedCapture
    manifest: Manifest
    index: Index
    overlay: Overlay = field(default_factory=Overlay)

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

    def boot_gap(self, stated: Attachment) -> list[GapExtent]:
        """Return the extents of the boot gap.

        Raises:
            VerificationError: the file in the store has other bytes than the manifest states.
        """
        path = self.capture.gap_path
        data = path.read_bytes() if path is not None else b""
        check_digest(hashlib.sha256(data).hexdigest(), stated.sha256, "boot gap")
        return boot_gap.decode(data)


@contextmanager
def opened(capture: SealedCapture) -> Iterator[RebuildSource]:
    """Hold a capture open for rebuilding it as it was: a replacement for the board's card.

    Raises:
        VerificationError: its index is not the one that the manifest names.
    """
    manifest = capture.manifest()
    digest = files.hash_file(capture.index_path).hex()
    check_digest(digest, manifest.index.sha256, "index")
    with index_file.opened(capture.index_path) as index:
        yield RebuildSource(capture, manifest, index)


def sibling(
    source: RebuildSource, name: str, machine: Runner
) -> tuple[RebuildSource, tuple[str, ...]]:
    """Turn a source into that of another board; return it with a list of what differs."""
    gap_path = source.capture.gap_path
    made = sibling_changes.make_sibling(
        source.manifest,
        new_identity.invent(source.manifest, names.check_board(name), os.urandom),
        files=source.index,
        contents=source.capture,
        tools=sibling_changes.SiblingTools(os.urandom, SshKeygen(machine)),
        gap=gap_path.read_bytes() if gap_path else b"",
        lost=source.overlay.lost,
    )
    changes = (*map(str, made.changes), *(f"left as it is: {change}" for change in made.left))
    return replace(source, manifest=made.manifest, overlay=made.overlay), changes


def check_digest(found: str, wanted: str, what: str) -> None:
    """Check that a stored file is the one that the manifest names.

    Raises:
        VerificationError: it is not.
    """
    if found != wanted:
        raise VerificationError(
            f"the stored {what} is not what the manifest says",
            hint="the store was damaged or changed: run `holdstill verify`",
        )
