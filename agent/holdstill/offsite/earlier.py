"""Copies of a store that `setup --again` has left behind, with captures that are there alone.

Their settings and notes are kept in STORE/offsite-earlier/<keeper>/, under the names that they
have in a store. Nothing is sent there any more; what those captures need stays locked. Who removes
such a folder lets them go, when their locks end.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.offsite import offsite_settings, sent

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.offsite.head import AwayCapture

FOLDER = "offsite-earlier"


def put_aside(root: Path) -> None:
    """Keep settings and notes of the copy that a store has; it has none afterwards.

    Cut off anywhere, it can be done again.

    Raises:
        UsageError: there is no copy.
    """
    settings = offsite_settings.read(root)
    folder = root / FOLDER / settings.keeper
    for one in (folder.parent, folder):
        one.mkdir(mode=0o700, exist_ok=True)
    offsite_settings.write(folder, settings)
    notes = root / sent.NAME
    if notes.exists():
        notes.replace(folder / sent.NAME)
    offsite_settings.remove(root)


def every(root: Path) -> tuple[Path, ...]:
    """Return the folders of all copies that were left behind."""
    found = (root / FOLDER).glob("*") if (root / FOLDER).is_dir() else ()
    return tuple(sorted(one for one in found if offsite_settings.is_there(one)))


def away(folder: Path) -> tuple[AwayCapture, ...]:
    """Return the captures that are off-site alone, of a store's copy or of one left behind."""
    if not (folder / sent.NAME).exists():
        return ()
    with sent.opened(folder / sent.NAME) as noted:
        return noted.away()


def names(root: Path) -> dict[str, tuple[str, ...]]:
    """Return the captures of each board that are in copies which were left behind."""
    found: dict[str, tuple[str, ...]] = {}
    for one in _all_away(root):
        found[one.board] = (*found.get(one.board, ()), one.brief.name)
    return found


def _all_away(root: Path) -> Iterator[AwayCapture]:
    for folder in every(root):
        yield from away(folder)


def folder_of(root: Path, board: str, name: str) -> Path:
    """Return where settings and notes are of the copy that has a capture: the store's, if any."""
    for folder in (root, *every(root)):
        if any((one.board, one.brief.name) == (board, name) for one in away(folder)):
            return folder
    return root
