"""Captures of a store here that have left it, and are off-site alone (`keep_here`)."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.cli import options
from holdstill.errors import UsageError
from holdstill.model.names import CaptureName
from holdstill.model.sizes import counted
from holdstill.offsite import run_notes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.workflow.offsite_library import OffsiteLibrary


def names(root: Path) -> dict[str, tuple[str, ...]]:
    """Return the captures of each board that have left a store."""
    notes = run_notes.load(root)
    return notes.away if notes else {}


def not_looked_into(root: Path, board: str | None) -> Iterator[str]:
    """Yield which captures of a board, or of all, are off-site alone, and how to look there."""
    for name, captures in sorted(names(root).items()):
        if board in {None, name}:
            yield (
                f"{name}: not looked into: {counted(len(captures), 'capture')} off-site alone, "
                f"from {captures[0]} to {captures[-1]}; for these give the address of the copy "
                "as --store"
            )


def name_of(root: Path, reference: str) -> str:
    """Return BOARD/CAPTURE of the capture that a reference means, if it has left; else ""."""
    board, _, which = reference.partition("/")
    if not which:
        return ""
    for name in names(root).get(board, ()):
        if name == which or (which.isdecimal() and CaptureName.parse(name).seq == int(which)):
            is_back = (root / "boards" / board / "captures" / name).is_dir()
            return "" if is_back else f"{board}/{name}"
    return ""


@contextmanager
def library(root: Path, name: str) -> Iterator[OffsiteLibrary]:
    """Hold the off-site copy of a store open for reading, with the recovery key that was given.

    Raises:
        UsageError: none was given, or what it takes is not installed.
    """
    if options.offsite_access().recovery_key is None:
        raise UsageError(
            f"{name} has left this store, and is off-site alone",
            hint="to read it from there, name a file that has the words of the recovery key: "
            "`--recovery-key FILE`",
        )
    from holdstill.cli import offsite_source  # noqa: PLC0415  an extra, which takes its time
    from holdstill.offsite import earlier, offsite_settings  # noqa: PLC0415  as above

    board, _, capture = name.partition("/")
    settings = offsite_settings.read(earlier.folder_of(root, board, capture))
    key = offsite_source.recovery_key(options.offsite_access().recovery_key)
    own = Path(settings.access_key) if settings.access_key else None
    with offsite_source.opened(settings.address, key, access_key=own) as found:
        yield found
