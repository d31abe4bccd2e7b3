"""Sealed captures as they are in the store, and what is wrong with any of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Protocol, TypeVar

import msgspec

from holdstill.errors import MachineError, SecurityError, UsageError, VerificationError
from holdstill.keeper import deletion, enrolment
from holdstill.keeper.ledger import LedgerFile
from holdstill.model import sizes
from holdstill.model.names import CaptureName, Digest
from holdstill.model.protocol import CaptureBrief
from holdstill.records import manifest_file, signature_in_process
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.content_store import ContentStore
    from holdstill.keeper.enrolment import Enrolment
    from holdstill.keeper.ledger import Ledger, SealedEvent
    from holdstill.keeper.store import Store
    from holdstill.model.boot import BootFinding
    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Manifest
    from holdstill.model.names import BoardName
    from holdstill.model.pieces import Part
    from holdstill.records.signature import VerifySignature
    from holdstill.system.process import Runner

    IsSigned = Callable[[SealedEvent, bytes, bytes], bool]

MANIFEST, SIGNATURE = "manifest.yaml", "manifest.yaml.sig"
"""What a manifest calls the index and the boot gap."""
NO_ACCESS = "this user may not read it"
"""How the fault begins of a capture that this user cannot judge."""
MISSING = "missing"
"""How the fault begins of a capture that is gone, or that cannot be read without what is gone."""
UNREADABLE = "cannot be read"
"""How the fault begins of a capture whose documents the disk does not give."""
UNSIGNED = "bad signature"
"""How the fault begins of a capture that none of the board's keys has signed."""
INTERRUPTED = "its sealing was interrupted; the board's next run finishes it"


class _Judgeable(Protocol):
    """A capture with what is known to be wrong with it."""

    @property
    def board(self) -> BoardName:
        """Whose it is."""

    @property
    def name(self) -> CaptureName:
        """Its name."""

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong with it."""


Judged = TypeVar("Judged", bound=_Judgeable)
"""A capture's name, state and faults, wherever it is stored."""


@dataclass(frozen=True)
class StoredCapture:
    """One sealed capture, for reading.

    Attributes:
        faults: what is known to be wrong with it. A capture with faults is used only if the
            caller was told to, for this one run.
        boot: whether a card made of it would boot; None before that was judged.
        content_trouble: what is known to be wrong with its contents, in words; "" for nothing.
        note: what its owner noted about it, "" for nothing.
    """

    board: BoardName
    name: CaptureName
    folder: Path
    contents: ContentStore
    faults: tuple[str, ...] = ()
    boot: BootFinding | None = None
    content_trouble: str = ""
    note: str = ""

    def manifest_bytes(self) -> bytes:
        """Return the manifest as it was signed."""
        return files.read_regular(self.folder / MANIFEST)

    def manifest(self) -> Manifest:
        """Return the manifest, decoded.

        Raises:
            SecurityError: cut short or altered.
            DocumentError: its content is not that of a manifest.
        """
        return manifest_file.decode(self.manifest_bytes(), f"manifest of {self.board} {self.name}")

    def open(self, digest: bytes) -> int:
        """Open a content by its 32 bytes; the caller closes the descriptor."""
        return self.contents.open(digest)

    is_local = True

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts: their contents are all on this machine."""
        yield from parts

    def prefetch(
        self,
        entries: Iterable[Entry],
        wanted: Callable[[Entry], bool] = bool,  # noqa: ARG002  all are here
    ) -> Iterator[Entry]:
        """Yield the same entries: their contents are all on this machine."""
        yield from entries


@dataclass(frozen=True)
class BoardCaptures:
    """All captures of one board, for reading. Nothing here changes the store.

    Attributes:
        verify: how a signature is checked.
        is_waiting: whether the ledger is read when nobody else is writing to it (`LedgerFile`).
    """

    store: Store
    board: BoardName
    runner: Runner
    verify: VerifySignature = signature_in_process.verify
    is_waiting: bool = True
    enrolled: Enrolment = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "enrolled", enrolment.read(self.store, self.board))

    @cached_property
    def folder(self) -> Path:
        """The directory of the board's captures."""
        return self.store.board_folder(self.board) / "captures"

    @property
    def ledger_file(self) -> LedgerFile:
        """The board's ledger."""
        path = self.store.board_folder(self.board) / "ledger.jsonl"
        return LedgerFile(path, is_waiting=self.is_waiting)

    @property
    def _not_in_ledger(self) -> str:
        return f"it is not in the ledger: {self.ledger_file.path}"

    def briefs(self) -> tuple[CaptureBrief, ...]:
        """List the captures, oldest first, each with what is wrong with it."""
        return self._briefs(self._is_signed)

    def briefs_as_sealed(self) -> tuple[CaptureBrief, ...]:
        """List them as `briefs` does, with the signature of the newest checked alone.

        That of each other is compared with the one that was checked when the capture was sealed:
        the ledger tells that, and whoever can write to the store can write that, too.
        """
        return self._briefs(_is_as_sealed)

    def _briefs(self, is_signed: IsSigned) -> tuple[CaptureBrief, ...]:
        """List them; the newest is always checked in full."""
        with self.ledger_file.held_for_reading() as ledger:
            strangers = self._strangers(ledger)
        numbers = self._numbers(ledger)
        last = numbers[-1] if numbers else 0
        judged = (
            self._brief_of(ledger, n, self._is_signed if n == last else is_signed) for n in numbers
        )
        present = [brief for brief in judged if brief]
        return tuple(sorted((*present, *strangers), key=lambda brief: brief.seq))

    def ledger_faults(self) -> tuple[str, ...]:
        """Return what is wrong with the ledger itself and was not accepted by the owner."""
        with self.ledger_file.held_for_reading() as ledger:
            return tuple(self._line_fault(fault) for fault in ledger.open_faults)

    def newest_good(self) -> CaptureBrief | None:
        """Return the newest capture without faults, or None."""
        return self.newest()[0]

    def newest(self) -> tuple[CaptureBrief | None, tuple[CaptureBrief, ...]]:
        """Return the newest capture without faults, or None; and newer ones that have some."""
        faulty = list[CaptureBrief]()
        with self.ledger_file.held_for_reading() as ledger:
            numbers = self._numbers(ledger)
        for number in reversed(numbers):
            brief = self._brief_of(ledger, number, self._is_signed)
            if brief is not None and not brief.faults:
                return brief, tuple(faulty)
            faulty += [] if brief is None else [brief]
        return None, tuple(faulty)

    def newest_whole(self) -> CaptureBrief | None:
        """Return the newest capture without faults and without known damage, or None."""
        with self.ledger_file.held_for_reading() as ledger:
            numbers = self._numbers(ledger)
        for number in reversed(numbers):
            if ledger.sealed[number].brief.name not in ledger.damaged_at:
                brief = self._brief_of(ledger, number, self._is_signed)
                if brief is not None and not brief.faults:
                    return brief
        return None

    def altered(self) -> dict[str, str]:
        """Return the captures that are not as they were sealed, each with what is wrong.

        Their documents are compared with what the ledger has of them; that needs no signatures.
        """
        with self.ledger_file.held_for_reading() as ledger:
            numbers = self._numbers(ledger)
        found = {}
        for number in numbers:
            event = ledger.sealed[number]
            faults = self._faults_on_disk(event, is_signed=_is_as_sealed)
            if faults and self._is_kept(event.brief.name):
                found[event.brief.name] = faults[0]
        return found

    def capture(self, name: str) -> StoredCapture:
        """Return one capture, with its faults.

        Raises:
            UsageError: there is none of this name.
        """
        parsed = CaptureName.parse(name)
        with self.ledger_file.held_for_reading() as ledger:
            numbers = self._numbers(ledger)
        for number in numbers:
            if ledger.sealed[number].brief.name == str(parsed):
                brief = self._brief(ledger, number, self._is_signed)
                faults, boot, trouble = brief.faults, brief.boot, brief.content_trouble
                note = brief.note
                break
        else:
            faults, boot, trouble = (self._not_in_ledger,), None, ""
            note = ""
        folder = self.folder / str(parsed)
        if not folder.is_dir():
            raise UsageError(
                f"board {self.board} has no capture {name}", hint="see `holdstill list`"
            )
        contents = self.store.contents
        return StoredCapture(self.board, parsed, folder, contents, faults, boot, trouble, note)

    def _numbers(self, ledger: Ledger) -> range | list[int]:
        """Return the positions among the sealed events of what retention has not deleted."""
        gone = ledger.thinned
        return [n for n, event in enumerate(ledger.sealed) if event.brief.name not in gone]

    def _brief_of(self, ledger: Ledger, number: int, is_signed: IsSigned) -> CaptureBrief | None:
        """Describe a capture; None if it was deleted since the ledger was read.

        The ledger is not held meanwhile: judging takes long, and who must write waits for it.
        """
        brief = self._brief(ledger, number, is_signed)
        return None if brief.faults and not self._is_kept(brief.name) else brief

    def _is_kept(self, name: str) -> bool:
        """Return whether a capture was not deleted since the ledger was read."""
        if (self.folder / name).is_dir():
            return True
        with self.ledger_file.held_for_reading() as now:
            return name not in now.thinned

    def _brief(self, ledger: Ledger, number: int, is_signed: IsSigned) -> CaptureBrief:
        event = ledger.sealed[number]
        name = event.brief.name
        # Whether the capture names the one before it, and has the number after it.
        before = ledger.sealed[number - 1] if number else None
        faults = []
        is_chained = not event.taken_in
        if is_chained and event.previous != (before.brief.manifest if before else ""):
            faults.append("chain break: it does not follow from the capture before it")
        if is_chained and event.brief.seq != (before.brief.seq if before else 0) + 1:
            faults.append(
                "chain break: captures between it and the one before are not in the ledger"
            )
        line = ledger.sealed_at[number]
        broken = next((fault for fault in ledger.open_faults if fault[0] <= line), None)
        chain_faults = (*faults, *([self._line_fault(broken)] if broken else ()))
        return msgspec.structs.replace(
            event.brief,
            pinned=name in ledger.pinned,
            verified_at=ledger.verified_at.get(name, ""),
            booted_at=ledger.booted_at.get(name, ""),
            boot=ledger.boot.get(name),
            damaged_at=ledger.damaged_at.get(name, ""),
            unread_at=ledger.unread_at.get(name, ""),
            note=ledger.notes.get(name, ""),
            faults=(*chain_faults, *self._faults_on_disk(event, is_signed=is_signed)),
        )

    def _line_fault(self, fault: tuple[int, str]) -> str:
        return f"ledger, line {fault[0]}: {fault[1]}: {self.ledger_file.path}"

    def _faults_on_disk(self, event: SealedEvent, *, is_signed: IsSigned) -> tuple[str, ...]:
        folder = self.folder / event.brief.name
        try:
            if not folder.is_dir():
                is_other = folder.exists()
                instead = ": something else is in the place of its folder" if is_other else ""
                return (f"{MISSING} from disk{instead}: {folder}",)
            data = files.read_regular(folder / MANIFEST)
            seal = files.read_regular(folder / SIGNATURE)
            has_index = self.store.contents.has(Digest(event.brief.index))
        except PermissionError as error:
            return (f"{NO_ACCESS}: {error}",)
        except OSError as error:
            return (f"{UNREADABLE}: {error}",)
        list_of_index = self.store.contents.path(Digest(event.brief.index))
        faults = [] if has_index else [f"{MISSING}: its index: {list_of_index}"]
        if manifest_file.digest(data) != event.brief.manifest:
            faults.append(
                f"bad checksum: its manifest is not the one that was sealed: {folder / MANIFEST}"
            )
        if not is_signed(event, data, seal):
            keys = enrolment.path_of(self.store, self.board)
            faults.append(f"{UNSIGNED}: {folder / SIGNATURE} is by none of the keys in {keys}")
        return tuple(faults)

    def is_all_unsigned(self) -> bool:
        """Return whether there are captures, and none is signed by a key of the board."""
        briefs = self.briefs()
        unsigned = (any(f.startswith(UNSIGNED) for f in brief.faults) for brief in briefs)
        return bool(briefs) and all(unsigned)

    def _is_signed(self, _: SealedEvent, data: bytes, seal: bytes) -> bool:
        return self.is_signed(data, seal)

    def is_signed(self, data: bytes, seal: bytes) -> bool:
        """Return whether one of the board's keys, also a retired one, signed data."""
        keys = self.enrolled.every_key
        try:
            self.verify(data, seal, board=self.board, keys=keys, runner=self.runner)
        except SecurityError:
            return False
        return True

    def check_whole(self) -> None:
        """Check, without reading captures, that ledger and captures fit; nothing is changed.

        Raises:
            SecurityError: the ledger was altered, or a capture is not in it.
            VerificationError: a capture is missing, or is known to have damaged contents.
            MachineError: contents of one could not be read when they were last verified.
        """
        with self.ledger_file.held_for_reading() as ledger:
            ledger.check_sound(self.ledger_file.path)
            foreign = self.strangers(ledger)
            kept = [e.brief.name for e in ledger.sealed if e.brief.name not in ledger.thinned]
            missing = [name for name in kept if not (self.folder / name).is_dir()]
            damaged = [name for name in kept if name in ledger.damaged_at]
            unread = [name for name in kept if name in ledger.unread_at]
        self._refuse_strangers(foreign)
        if missing:
            raise VerificationError(
                f"{self.folder}: captures are missing: {', '.join(missing)}",
                hint=put_back(self.store.root, self.board),
            )
        some = sizes.counted(len(unread), "capture has", "captures have")
        not_read = f"{some} contents that could not be read when that was last tried"
        if damaged:
            also = f"; {not_read}" if unread else ""
            raise VerificationError(
                f"{sizes.counted(len(damaged), 'capture has', 'captures have')} damaged contents: "
                f"{', '.join(damaged)}{also}",
                hint=f"`holdstill verify {self.board}` says which files; `holdstill verify "
                "--repair` has the board send them again, if it still has them",
            )
        if unread:
            raise MachineError(
                f"{not_read}: {', '.join(unread)}",
                hint=f"`holdstill verify {self.board}` says which, and why",
            )

    def strangers(self, ledger: Ledger) -> tuple[str, ...]:
        """Return the captures that are not in the ledger, oldest first."""
        found = (brief for brief in self._strangers(ledger) if brief.faults != (INTERRUPTED,))
        return tuple(brief.name for brief in found)

    def check_no_strangers(self) -> None:
        """Refuse to go on beside captures that this keeper did not seal, or lost the line of.

        Raises:
            SecurityError: naming them.
        """
        with self.ledger_file.held_for_reading() as ledger:
            found = [brief.name for brief in self._strangers(ledger)]
        self._refuse_strangers(found)

    def _refuse_strangers(self, found: Sequence[str]) -> None:
        if found:
            raise SecurityError(
                f"{self.folder} holds captures that are not in the ledger: {', '.join(found)}",
                hint=f"nothing was changed. Was {self.ledger_file.path.name} lost or rolled back? "
                f"Then {ledger_back(self.store.root, self.board)}. Do they not belong there? Move "
                "them out of that folder; contents that no other capture needs are deleted some "
                "days after that",
            )

    def _strangers(self, ledger: Ledger) -> list[CaptureBrief]:
        """Describe directories among the captures that are not in the ledger."""
        # First, for what is deleted is gone before it is no longer noted.
        doomed = deletion.under_way(self.store, self.board)
        put_back = ledger.forgotten | (ledger.deleted - doomed)
        known = {event.brief.name for event in ledger.sealed} - put_back
        sealing = self.store.board_folder(self.board) / "sealing"
        being_sealed = b"".join(map(_bytes_of, sealing.glob("*.json")))
        found = []
        for name in sorted(item.name for item in self.folder.iterdir()):
            parsed = _parsed(name)
            if parsed is not None and name not in known:
                fault = INTERRUPTED if name.encode() in being_sealed else self._not_in_ledger
                unknown = CaptureBrief(
                    name=name,
                    seq=parsed.seq,
                    manifest="",
                    index="",
                    grade="",
                    taken_at="",
                    faults=(fault,),
                )
                found.append(unknown)
        return found


def is_reproach(fault: str) -> bool:
    """Return whether a fault speaks of somebody's doing, not of what a disk or a user lost."""
    return not fault.startswith((UNREADABLE, MISSING, NO_ACCESS))


def _is_as_sealed(event: SealedEvent, _: bytes, seal: bytes) -> bool:
    """Return whether this is the signature that a capture was sealed with."""
    return manifest_file.digest(seal) == event.signature


def what_to_do(root: Path, board: BoardName, faults: Iterable[str]) -> str:
    """Say what to do about captures that nobody is to be reproached with."""
    if all(fault.startswith(NO_ACCESS) for fault in faults):
        return f"`holdstill verify {board}` says which mode or owner is to be mended"
    return put_back(root, board)


def ledger_back(root: Path, board: BoardName) -> str:
    """Say what to do about a ledger that is gone, or ends too early."""
    return (
        "put the ledger back from a copy of the store; if there is none, `holdstill keeper accept "
        f"{root} {board} --reason ...` takes in what the board signed"
    )


def put_back(root: Path, board: BoardName) -> str:
    """Say what to do about captures that are gone."""
    return (
        f"`holdstill keeper recount {root}` takes back what rests in trash/; put the others back "
        f"from a copy of the store; if they are gone for good: `holdstill keeper accept {root} "
        f"{board} --forget-missing --reason ...`"
    )


def keys_to_mend(store: Store, board: BoardName) -> str:
    """Say what to do about a board none of whose captures is signed by a key of its enrolment."""
    return (
        "all captures of this board say so: rather its keys were damaged or exchanged than all of "
        f"these. Put {enrolment.path_of(store, board)} back from a copy, or enrol the board's own "
        "key, with which its line in authorized_keys ends: `holdstill keeper enrol "
        f"{store.root} {board} --key KEY.pub --replace-key`"
    )


def _parsed(name: str) -> CaptureName | None:
    """Read a capture's name; None for what some NAS or desktop left among the captures."""
    try:
        return CaptureName.parse(name)
    except UsageError:
        return None


def _bytes_of(intent: Path) -> bytes:
    """Return the bytes of a file; none if it is gone by now, or something else in its place."""
    try:
        return files.read_regular(intent)
    except OSError:
        return b""


def check_good(capture: Judged) -> Judged:
    """Return a capture that has no faults.

    Raises:
        SecurityError: it was altered, or cannot be vouched for.
        VerificationError: it is damaged or incomplete.
    """
    if not capture.faults:
        return capture
    what = f"capture {capture.name} of {capture.board}: {'; '.join(capture.faults)}"
    hint = "`holdstill list` shows the newest good one"
    if not any(map(is_reproach, capture.faults)):
        raise VerificationError(what, hint=hint)
    raise SecurityError(what, hint=hint)
