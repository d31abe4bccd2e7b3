"""Captures that lie in a board's folder and are not in its ledger, taken in at the owner's word.

The ledger was lost, or put back to an older state, or had them as forgotten. What the board itself
signed is as good as it was; what nobody signed stays a stranger.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import DocumentError, SecurityError, VerificationError
from holdstill.keeper import references, sealing, trash
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE, StoredCapture
from holdstill.keeper.ledger import PinnedEvent
from holdstill.model.names import CaptureName
from holdstill.records import capture_contents
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.keeper.board_captures import BoardCaptures
    from holdstill.keeper.ledger import SealedEvent
    from holdstill.keeper.references import References
    from holdstill.model.manifest import Manifest
    from holdstill.system.clocks import Clock


def take_in(shelf: BoardCaptures, *, clock: Clock) -> tuple[str, ...]:
    """Write captures that are not in the ledger into it; return their names, oldest first.

    All are pinned: which of them their owner had pinned is no longer known.

    Raises:
        SecurityError: one is not what a key of this board signed; the ledger is as before.
        VerificationError: the index of one cannot be read, or another has its number.
    """
    with shelf.ledger_file.held_for_reading() as ledger:
        found = shelf.strangers(ledger)
        kept = [e.brief.name for e in ledger.sealed if e.brief.name not in ledger.thinned]
    if not found:
        return ()
    _check_numbers(shelf, kept, found)
    with references.opened(shelf.store) as held:
        events = [_event(shelf, name, held, clock.now()) for name in found]
    disk = shelf.store.disk
    with shelf.ledger_file.held_for_writing(disk) as ledger:
        at = clocks.rfc3339(clock.now())
        pins = [PinnedEvent(capture=name) for name in found]
        shelf.ledger_file.append(ledger, [*events, *pins], at=at, disk=disk)
    return found


def _check_numbers(shelf: BoardCaptures, kept: Sequence[str], found: Sequence[str]) -> None:
    """Check that no two captures have the same number, as after a store was put back."""
    holders = {_number(name): name for name in kept}
    twice = [name for name in found if holders.setdefault(_number(name), name) != name]
    if twice:
        pairs = ", ".join(f"{name} and {holders[_number(name)]}" for name in twice)
        raise VerificationError(
            f"{shelf.folder}: captures of {shelf.board} have the same number: {pairs}",
            hint="nothing was changed. All are good, but only one of each can be here: move the "
            f"folders {', '.join(twice)} out of the store, and keep them; then say this again",
        )


def _number(name: str) -> int:
    return CaptureName.parse(name).seq


def _event(shelf: BoardCaptures, text: str, held: References, now: datetime) -> SealedEvent:
    name = CaptureName.parse(text)
    folder = shelf.folder / text
    data, seal = (files.read_regular(folder / document) for document in (MANIFEST, SIGNATURE))
    capture = StoredCapture(shelf.board, name, folder, trash.TakingBack(shelf.store))
    manifest = _signed(shelf, capture, data, seal)
    event = sealing.event_for(
        (data, seal),
        manifest,
        needs=sealing.CaptureNeeds(held.load(capture_contents.needed(capture))),
        arrived_at=_arrived_at(capture, now),
        run=manifest.run,
    )
    return msgspec.structs.replace(event, recovered=True, taken_in=True)


def _signed(shelf: BoardCaptures, capture: StoredCapture, data: bytes, seal: bytes) -> Manifest:
    try:
        manifest = capture.manifest() if shelf.is_signed(data, seal) else None
    except DocumentError:
        manifest = None
    due = (shelf.board, capture.name)
    if manifest is None or (manifest.board.name, sealing.name_of(manifest)) != due:
        raise SecurityError(
            f"{capture.folder}: no key of {shelf.board} signed this as capture {capture.name}",
            hint="nothing was changed. Move it out of that folder, or put the right "
            "enrolment.yaml back; then say this again",
        )
    return manifest


def _arrived_at(capture: StoredCapture, now: datetime) -> str:
    """Return when a capture was sealed, as its files have it; a copy may have lost that."""
    written_at = (capture.folder / MANIFEST).lstat().st_mtime
    return clocks.rfc3339(min(now, datetime.fromtimestamp(written_at, tz=UTC)))
