"""The files of a capture that name its partitions, with the names that these will have."""

from __future__ import annotations

import glob
import itertools
import os
from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.rebuild import fstab_references
from holdstill.rebuild.new_identity import IdentityChange

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.rebuild.id_map import IdMap, RewrittenText
    from holdstill.rebuild.small_files import SmallFile, SmallFileReader

_INITRAMFS = ("initrd*", "initramfs*", "uInitrd*")
_RESUME = ("etc/initramfs-tools/", "etc/dracut", "etc/crypttab", "etc/mkinitcpio.conf")
"""Files whose content also lives inside the initramfs, where it cannot be changed from here."""


class ReferenceChanges:
    """The changes collected so far.

    Attributes:
        files: files with another content, by partition and path.
        changes: what was changed, for people; left: what was not and may have to be.
        touches_initramfs: whether something was changed that an initramfs may hold as well.
    """

    def __init__(self, reader: SmallFileReader, ids: IdMap) -> None:
        self._reader, self._ids = reader, ids
        self.files: dict[tuple[int, bytes], bytes] = {}
        self.changes: list[IdentityChange] = []
        self.left: list[IdentityChange] = []
        self.touches_initramfs = False

    def visit(self, part: int, folders: Iterable[str] = ()) -> None:
        """Change what has to be changed in one partition.

        Args:
            part: its number.
            folders: of it that a system sees as its root, or as a place below that.

        Raises:
            VerificationError: a file's content does not match its digest.
        """
        in_boot = itertools.product(
            ("", *fstab_references.BOOT_FOLDERS), fstab_references.BOOT_PLACES
        )
        places = [f"{folder}/{place}".lstrip("/") for folder, place in in_boot]
        for top in ("", *(f"{folder}/" for folder in folders)):
            for pattern in (*fstab_references.ROOT_PLACES, *places):
                for found in self._reader.small(part, glob.escape(top) + pattern):
                    self._refer(found, os.fsdecode(found.path).removeprefix(top))

    def current(self, found: SmallFile) -> bytes:
        """Return a file as it is by now: some are changed for two reasons."""
        return self.files.get((found.part, found.path), found.content)

    def replace(self, found: SmallFile, rewritten: RewrittenText, what: str) -> None:
        """Give a file another content, if anything was replaced in it."""
        if not rewritten.replaced:
            return
        self.files[found.part, found.path] = rewritten.content
        self.changes += [
            IdentityChange(found.where, what, old, new) for old, new in rewritten.replaced
        ]

    def _refer(self, found: SmallFile, path: str) -> None:
        """Change one file; path: where its system sees it."""
        rewritten = fstab_references.rewrite(path, self.current(found), self._ids)
        if rewritten is None:
            self.left.append(
                IdentityChange(found.where, "has a form that cannot be changed: look at it")
            )
            return
        self.replace(found, rewritten, "refers to")
        if rewritten.replaced and path.startswith(_RESUME):
            self.touches_initramfs = True

    def note_initramfs(self, parts: Iterable[int]) -> None:
        """Report which initramfs may hold what was changed outside of it."""
        if not self.touches_initramfs:
            return
        for part in parts:
            for folder, pattern in itertools.product(
                ("", *fstab_references.BOOT_FOLDERS), _INITRAMFS
            ):
                place = f"{folder}/{pattern}".lstrip("/")
                for entry in self._reader.matching(part, place):
                    where = f"partition {part}: {paths.display(entry.path)}"
                    what = "may hold old ids inside: make it anew on the board"
                    self.left.append(IdentityChange(where, what))
