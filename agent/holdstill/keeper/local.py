"""The keeper of one board, in this process: all that a board may request.

`holdstill.keeper.ssh_server` offers exactly these methods to a board at the other end of an SSH
connection; a board that keeps its captures in a directory of its own calls them directly.
"""

from __future__ import annotations

import errno
import sqlite3
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Self

from holdstill.errors import (
    LinkError,
    SecurityError,
    UsageError,
    VerificationError,
)
from holdstill.keeper import (
    account_captures,
    board_captures,
    enrolment,
    fetch_staging,
    incoming,
    references,
    run_handover,
    sealing,
    store_parts,
)
from holdstill.keeper.account import Account, Spent
from holdstill.keeper.board_captures import SIGNATURE, BoardCaptures
from holdstill.keeper.open_run import OpenRun
from holdstill.keeper.sealing import ExpectedSeal, Sealer
from holdstill.model import names, pieces
from holdstill.model.protocol import BATCH, PROTOCOL, Hello, Lacking, RunStarted, SealResult
from holdstill.model.sizes import BLOCK
from holdstill.records import assembled, capture_contents, manifest_file, signature
from holdstill.system import clocks, debian_packages, files
from holdstill.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.incoming import RunLock
    from holdstill.keeper.ledger import SealedEvent
    from holdstill.keeper.store import Store
    from holdstill.model.manifest import CapturedPart, Manifest
    from holdstill.model.names import BoardName, Digest
    from holdstill.model.protocol import CaptureBrief, Ingested, Proof, WantedContent
    from holdstill.model.settings import KeeperSettings
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner

LEDGER_LINES = 1040
"""Bytes of a capture's lines in the ledger: that it was sealed, and whether it would boot."""
PROGRAMS = ("rsync", "ssh-keygen")
"""What a keeper starts: it receives, and checks signatures."""
ACCOUNTING = 256
"""Bytes that a content takes beside its own: 121 in the references, or 26 for one that was there
before (measured, 150,000 contents), and its name in content/."""


class LocalKeeper:
    """The keeper of one board. A context manager: leaving it gives the run lock back.

    Whatever happens in between, the staging of an unfinished run stays for the next one.
    """

    def __init__(
        self,
        store: Store,
        board: BoardName,
        *,
        clock: Clock,
        runner: Runner,
        settings: KeeperSettings,
        key: str = "",
    ) -> None:
        """Serve whoever came in with a key; the fingerprint "" is that of this machine's own."""
        self._key = key
        self._store, self._board = store, board
        self._clock, self._runner = clock, runner
        # One or two signatures a session: ssh-keygen costs less than the library's memory.
        self._shelf = BoardCaptures(store, board, runner, verify=signature.verify)
        self._account = Account(store, self._shelf.enrolled, settings, clock=clock)
        self._is_sharing = settings.share_between_boards
        self._lock: RunLock | None = None
        self._client = ""
        self._run: OpenRun | None = None
        self._due = ExpectedSeal("", 0, "")
        self._enrolment: tuple[int, ...] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    @contextmanager
    def _answering(self) -> Iterator[None]:
        """Answer one call, if the key that opened this session may still come in.

        Raises:
            SecurityError: it was withdrawn since; the run is given up.
        """
        with _translated():
            self.check_in_use()
            yield

    def check_in_use(self) -> None:
        """Give the run up if the key that opened this session may come in no more.

        Raises:
            SecurityError: so it is.
        """
        seen = files.identity(enrolment.path_of(self._store, self._board))
        if seen is not None and seen == self._enrolment:
            return
        now = enrolment.read(self._store, self._board)
        is_kept = set(self._shelf.enrolled.live_keys) <= set(now.live_keys)
        if not (now.lets_in(self._key) if self._key else is_kept):
            self.close()
            raise SecurityError(
                f"the key of board {self._board} was withdrawn while it was connected"
            )
        self._enrolment = seen

    def close(self) -> None:
        """Give the run lock back; the staging stays."""
        if self._lock is not None:
            self._lock.release()
        self._lock = self._run = None

    def hello(self) -> Hello:
        """Return what the board may bring today, and what to build on."""
        with self._answering():
            return Hello(
                protocol=PROTOCOL,
                board=self._board,
                free_bytes=self._account.left("bytes"),
                free_inodes=self._account.left("inodes"),
                now=clocks.rfc3339(self._clock.now()),
                newest=self._shelf.newest_good(),
                keys=self._shelf.enrolled.live_keys,
                version=VERSION,
                missing=debian_packages.missing(PROGRAMS),
            )

    def is_wanted(self) -> bool:
        """Return whether the program that began this run goes on with it in another session."""
        return self._lock is not None and run_handover.is_wanted(
            self._store, self._board, self._client
        )

    def begin(self, client: str = "") -> RunStarted:
        """Begin a run, or go on with one that was cut off.

        client: a word that only the caller knows, to go on while the session before still stands.

        Raises:
            BusyError: another run of this board is alive.
            PreflightError: it has brought as many captures as it may in a day; or the store is
                not on one file system.
            SecurityError: the ledger or the captures are not as the keeper left them.
        """
        with self._answering():
            store_parts.check(self._store, self._board)
            self._store.lay_out()
            enrolment.lay_out(self._store, self._board)
            if self._lock is None:
                self._lock = run_handover.take_lock(self._store, self._board, client)
                self._client = client
            try:
                return self._begin()
            except BaseException:
                self.close()
                raise

    def _begin(self) -> RunStarted:
        Sealer(self._shelf, clock=self._clock).recover()
        ledger = self._shelf.ledger_file.read()
        self._account.check_captures(ledger)
        runs = frozenset(event.run for event in ledger.sealed)
        incoming.tidy(self._store, self._board, finished_runs=runs)
        staging = incoming.begin_staging(self._store, self._board)
        run = OpenRun(
            self._store, self._board, staging,
            account=self._account, clock=self._clock, is_sharing=self._is_sharing,
        )  # fmt: skip
        run.take_over_leftovers()
        last = ledger.last_sealed
        seq, previous = (last.brief.seq + 1, last.brief.manifest) if last else (1, "")
        self._run, self._due = run, ExpectedSeal(staging.run, seq, previous)
        return RunStarted(
            run=staging.run,
            seq=seq,
            previous=previous,
            folders=tuple(str(path) for _, path in staging.folders),
        )

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        """Return which of these contents the board must send, and which it must prove to have.

        For a file that has an older content of this board here, a copy of that is laid out for
        rsync.

        What sibling boards share is stored and sent once: of a content that only others have, a
        board proves that it has it, too. It can therefore find out whether some board of this
        keeper has a content whose SHA-256 it knows. Where it must not, sharing is off: then it
        sends everything that it has not sent before.

        Raises:
            PreflightError: there is no room for what is lacking.
            UsageError: no run has begun, or more is asked than one message may.
            SecurityError: a content cannot have the size that is said.
        """
        with self._answering():
            _check_batch(wanted)
            return self._running().lacking(wanted, folder)

    def prove(self, proofs: Sequence[Proof]) -> tuple[Digest, ...]:
        """Check that the board has what the last answer asked it to prove.

        Returns:
            The contents that it must send: what it said of them proves nothing.

        Raises:
            UsageError: no run has begun, or more is said than one message may.
            PreflightError: the board may have no more hashed today.
        """
        with self._answering():
            _check_batch(proofs)
            return self._running().prove(proofs)

    def ingest(self, digests: Sequence[str], folder: int = 0, *, is_cut: bool = False) -> Ingested:
        """Hash what arrived and take it over into the store; name what was not as named.

        is_cut: the transfer broke: what was being sent just then stays, to be gone on with.

        Raises:
            UsageError: no run has begun, or more is asked than one message may.
            BusyError: a transfer into this run is still open.
        """
        with self._answering():
            _check_batch(digests)
            checked = [names.check_digest(digest) for digest in digests]
            return self._running().ingest(checked, folder, is_cut=is_cut)

    def seal(self, manifest: bytes, signature: bytes) -> SealResult:
        """Make the capture visible, after every check; or name the contents that are lacking.

        Sealing the same manifest again is answered as the first time.

        Raises:
            SecurityError: manifest, signature or index are not what they must be.
            VerificationError: an attachment's bytes are not those in the manifest.
        """
        with self._answering():
            sealer = Sealer(self._shelf, clock=self._clock)
            if self._run is not None:
                sealer.recover()  # an earlier attempt of this session may have been cut off
            event = self._already_sealed(manifest)
            if event is None:
                event, lacking = self._seal(sealer, manifest, signature)
                if event is None:
                    return SealResult(lacking=lacking)
                self._account.sealed()
            # Tidy up after a capture that is sealed; what fails here the next run does again.
            with suppress(OSError):
                if self._run is not None and self._run.staging.run == event.run:
                    self._store.discard(self._run.staging.folder)
            self.close()
            return SealResult(name=event.brief.name, new_bytes=event.brief.new_bytes)

    def _seal(
        self, sealer: Sealer, manifest: bytes, signature: bytes
    ) -> tuple[SealedEvent | None, Lacking]:
        """Check the capture, publish it and account for it; return missing contents, if any."""
        self._running()
        checked = sealing.check_manifest(
            self._shelf,
            manifest,
            signature,
            due=self._due,
            entries_limit=self._account.limits.entries,
        )
        # Index and boot gap are put together, and read, and so are all lists; the documents stay.
        gaps = sum(gap.size for gap in checked.gaps)
        reading = checked.index.size + gaps + _list_bytes(checked)
        self._account.check(Spent(bytes=checked.index.size, hashed=reading))
        self._account.check_captures(self._shelf.ledger_file.read())
        documents = Spent.of_files([len(manifest), len(signature), BLOCK])
        documents += Spent(bytes=LEDGER_LINES)
        self._account.charge(documents + Spent(hashed=reading))
        try:
            return self._seal_checked(sealer, checked, (manifest, signature))
        except references.UnsoundReferencesError:  # made again by the next collection
            references.discard(self._store)
            return self._seal_checked(sealer, checked, (manifest, signature))

    def _seal_checked(
        self, sealer: Sealer, manifest: Manifest, documents: tuple[bytes, bytes]
    ) -> tuple[SealedEvent | None, Lacking]:
        run = self._running()
        # Until the capture is accounted for, nothing that it needs is collected.
        with self._store.using_contents(), references.opened(self._store) as known:
            folder, needs = sealer.prepare(run.staging, manifest, documents, known, run.possession)
            if needs.lacking:
                return None, run.possession.ask(needs.lacking[:BATCH])
            accounting = Spent(bytes=needs.fresh * ACCOUNTING)
            self._account.check(accounting)
            self._account.charge(accounting)
            event = sealing.event_for(
                documents,
                manifest,
                needs=needs,
                arrived_at=clocks.rfc3339(self._clock.now()),
                run=run.staging.run,
            )
            sealer.publish(folder, event)
            with suppress(sqlite3.Error):  # sealed it is; the next collection accounts for it
                account_captures.add_newest(known, self._board, event, is_same=needs.is_same)
        return event, Lacking()

    def abandon(self) -> None:
        """End the run without a capture; what arrived stays for the next one."""
        self.close()

    def captures(self) -> tuple[CaptureBrief, ...]:
        """List this board's captures, oldest first, each with what is wrong with it."""
        with self._answering():
            return self._shelf.briefs()

    def manifest(self, name: str) -> bytes:
        """Return a capture's manifest, as it was signed."""
        with self._answering():
            return self._shelf.capture(name).manifest_bytes()

    def signature(self, name: str) -> bytes:
        """Return the signature of a capture's manifest."""
        with self._answering():
            return files.read_regular(self._shelf.capture(name).folder / SIGNATURE)

    def stage(self, name: str, digests: Sequence[str]) -> Path:
        """Prepare contents of a capture for fetching; return their directory.

        Raises:
            SecurityError: the capture is not to be trusted.
            VerificationError: it has no such content.
        """
        with self._answering():
            _check_batch(digests)
            capture = board_captures.check_good(self._shelf.capture(name))
            checked = [names.check_digest(digest) for digest in digests]
            return fetch_staging.lay_out(
                self._store, capture, checked, account=self._account,
                top=fetch_staging.folder(self._store, self._board),
            )  # fmt: skip

    def capture(self, name: str) -> StoredCapture:
        """Return a capture for reading, for a store on this host."""
        with self._answering():
            return self._shelf.capture(name)

    def _running(self) -> OpenRun:
        if self._run is None:
            raise UsageError("no run has begun")
        return self._run

    def _already_sealed(self, manifest: bytes) -> SealedEvent | None:
        digest = manifest_file.digest(manifest)
        events = self._shelf.ledger_file.read().sealed
        return next((event for event in events if event.brief.manifest == digest), None)


def _check_batch(items: Sequence[object]) -> None:
    if len(items) > BATCH:
        raise UsageError(f"{len(items)} digests in one call; at most {BATCH}")


_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
_HINTS = {
    errno.EROFS: "its file system is read-only: see at the keeper `dmesg` whether its disk is "
    "failing, and `findmnt`; `holdstill status` there tells when it can be used again. Until then "
    "`holdstill rebuild` and `get` work at the keeper itself",
    errno.EXDEV: "a part of its store is on another file system than the rest, mounted there or a "
    "subvolume: `holdstill status` at the keeper says which, and what to do",
}


@contextmanager
def _translated() -> Iterator[None]:
    """Return the error to send to the board for a failed system call."""
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise LinkError(
                f"the keeper's disk is full: {error}",
                hint="no capture was lost. Thin the captures or free some space, then run again: "
                "what has arrived is kept",
            ) from error
        if error.errno == errno.EIO:
            raise VerificationError(
                f"the keeper's disk does not give back what it holds: {error}",
                hint="check the kernel's log at the keeper; its disk may be failing",
            ) from error
        hint = _HINTS.get(error.errno or 0, "`holdstill status` at the keeper says what is wrong")
        raise LinkError(f"the keeper cannot use its store: {error}", hint=hint) from error
    except sqlite3.Error as error:
        raise LinkError(
            f"the keeper cannot keep its notes of this run: {error}",
            hint="no capture was lost. Make room for temporary files at the keeper "
            "(`df /var/tmp /tmp`), then run again: what has arrived is kept",
        ) from error


def _list_bytes(manifest: Manifest) -> int:
    """Return what the lists of a manifest, and those of its files, have at most.

    By what it says itself: how large they are here is nobody's to know who did not bring them.
    """
    attached = capture_contents.distinct(capture_contents.attachments(manifest))
    lists = [pieces.content_limit(item.size, assembled.LEAST_PIECE) for item in attached]
    return sum(min(size, pieces.LIMIT) for size in lists) + sum(map(_file_lists, manifest.parts))


def _file_lists(part: CapturedPart) -> int:
    """Return what the lists of a partition's files have at most, whatever sizes these have."""
    count = min(part.files, part.content_bytes // pieces.PIECED_FROM)
    each_begun = count * pieces.content_limit(1, pieces.PIECE)
    records = part.content_bytes // pieces.PIECE * pieces.RECORD
    return min(count * pieces.LIMIT, each_begun + records)
