"""What a board has shown to have: knowing the digest of a content is worth nothing.

A content gets into a capture only if the board sent its bytes in this run, if a capture of its own
has it already, or if the board has proven that it has the bytes: by HMAC-SHA256 (RFC 2104) of
them, keyed with a nonce that the keeper picks for each call and that nobody can know before.

What was sent or proven is remembered beside the folder that the board writes to, out of rsync's
reach, for as long as the run can be taken up again.
"""

from __future__ import annotations

import errno
import hmac
import os
import secrets
import sqlite3
import weakref
from contextlib import suppress
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from holdstill.keeper import references, repair
from holdstill.model import names
from holdstill.model.protocol import NONCE, Lacking
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.incoming import Staging
    from holdstill.keeper.store import Store
    from holdstill.keeper.store_disk import StoreDisk
    from holdstill.model.names import BoardName, Digest
    from holdstill.model.protocol import Proof

SHOWN, REFUSED = "shown", "refused"
"""Files in a run's staging: 32 bytes for each digest that was shown, or whose proof was wrong."""
_DIGEST_BYTES = 32
_CACHE_KIB = 4096


class DigestLog:
    """A set of digests in a file that only grows; it is read once.

    What is looked up is a table that SQLite keeps in a file without a name, gone with this object:
    a million digests take the memory of its page cache.
    Not synced: what a power cut takes away has to be shown again.
    """

    def __init__(self, path: Path, disk: StoreDisk) -> None:
        self._path, self._disk = path, disk

    def __contains__(self, digest: Digest) -> bool:
        row = self._held.execute("SELECT 1 FROM held WHERE digest = ?", (bytes.fromhex(digest),))
        return row.fetchone() is not None

    def add(self, digests: Iterable[Digest]) -> None:
        """Add digests; those that are here already change nothing."""
        fresh = sorted({bytes.fromhex(digest) for digest in digests if digest not in self})
        if not fresh:
            return
        if not self._path.exists():
            self._disk.create(self._path, b"")
        self._disk.append(self._path, b"".join(fresh))
        _hold(self._held, fresh)

    @cached_property
    def _held(self) -> sqlite3.Connection:
        db = sqlite3.connect("", check_same_thread=False)  # sqlite.org/inmemorydb.html, 3
        weakref.finalize(self, db.close)
        db.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        db.execute("PRAGMA temp_store = FILE")
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("CREATE TABLE held (digest BLOB PRIMARY KEY) WITHOUT ROWID")
        _hold(db, self._logged())
        return db

    def _logged(self) -> Iterator[bytes]:
        """Yield what the file has; a torn end is cut off."""
        if not self._path.exists():
            return
        size = self._path.stat().st_size
        if torn := size % _DIGEST_BYTES:
            self._disk.truncate(self._path, size - torn)
        with self._path.open("rb") as log:
            while digest := log.read(_DIGEST_BYTES):
                yield digest


def _hold(db: sqlite3.Connection, digests: Iterable[bytes]) -> None:
    db.executemany("INSERT OR IGNORE INTO held VALUES (?)", ((digest,) for digest in digests))


class _Challenge(NamedTuple):
    """What may be proven by the next call, and with which nonce."""

    nonce: bytes = b""
    digests: frozenset[Digest] = frozenset()


class Possession:
    """What one board has shown to have in one run.

    Attributes:
        is_sharing: whether the board may learn that another board has a content; else it has to
            send all that it has not sent before.
    """

    def __init__(
        self, store: Store, board: BoardName, staging: Staging, *, is_sharing: bool
    ) -> None:
        self._store, self._board = store, board
        self._shown = DigestLog(staging.folder / SHOWN, store.disk)
        self._refused = DigestLog(staging.folder / REFUSED, store.disk)
        self._challenge = _Challenge()
        self.is_sharing = is_sharing

    def has_shown(self, digest: Digest) -> bool:
        """Return whether the board has sent or proven a content in this run."""
        return digest in self._shown

    def note(self, digests: Iterable[Digest]) -> None:
        """Remember contents whose bytes the board has sent, now or for an earlier capture."""
        self._shown.add(digests)

    def own(self, digests: Collection[Digest]) -> frozenset[Digest]:
        """Return those that the board has shown, or that an accounted capture of it needs.

        References that are damaged, or not made yet, know of none: then it has to show them.
        """
        rest = [digest for digest in digests if digest not in self._shown]
        own = set(digests).difference(rest)
        with suppress(references.UnsoundReferencesError), references.opened(self._store) as known:
            own.update(d for d in rest if known.has(self._board, bytes.fromhex(d)))
        return frozenset(own)

    def ask(self, digests: Sequence[Digest]) -> Lacking:
        """Return what the board must do about contents that are lacking or not its own.

        The order of the digests tells nothing about which of them the store has.
        """
        provable = frozenset(digest for digest in digests if self._is_provable(digest))
        nonce = secrets.token_bytes(NONCE) if provable else b""
        self._challenge = _Challenge(nonce, provable)
        return Lacking(
            send=tuple(digest for digest in digests if digest not in provable),
            prove=tuple(digest for digest in digests if digest in provable),
            nonce=nonce,
        )

    def _is_provable(self, digest: Digest) -> bool:
        return self.is_sharing and digest not in self._refused and self._store.contents.has(digest)

    @property
    def asked(self) -> frozenset[Digest]:
        """What the next call of `check` may prove."""
        return self._challenge.digests

    def size_of(self, digests: Iterable[Digest]) -> int:
        """Return the bytes of these contents in the store, which checking a proof reads."""
        sizes = (self._store.contents.size(digest) for digest in digests)
        return sum(size for size in sizes if size is not None)

    def check(self, proofs: Sequence[Proof]) -> tuple[Digest, ...]:
        """Check proofs by the nonce that was given out last, which counts once.

        Returns:
            Those that prove nothing, in order: the board has to send them.
        """
        challenge, self._challenge = self._challenge, _Challenge()
        given = {names.check_digest(proof.digest): proof.mac for proof in proofs}
        asked = [digest for digest in given if digest in challenge.digests]
        proven = frozenset(
            digest for digest in asked if self._is_proven(digest, given[digest], challenge.nonce)
        )
        self._shown.add(proven)
        self._refused.add(set(asked).difference(proven))
        return tuple(digest for digest in given if digest not in proven)

    def _is_proven(self, digest: Digest, mac: bytes, nonce: bytes) -> bool:
        """Compare a proof with our own bytes; bytes that the disk has spoiled are taken out."""
        path = self._store.contents.path(digest)
        with self._store.using_contents():  # for each alone: whoever collects waits for its end
            try:
                if hmac.compare_digest(self._mac(path, nonce), mac):
                    return True
            except FileNotFoundError:
                return False
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
            if not repair.is_good(path, digest):
                repair.take_out(self._store, digest)
            return False

    def _mac(self, path: Path, nonce: bytes) -> bytes:
        with files.opened(path, os.O_RDONLY | os.O_NOFOLLOW) as handle:
            size = os.fstat(handle).st_size
            return files.keyed_digest(handle, size, nonce)
