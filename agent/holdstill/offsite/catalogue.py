"""What is off-site, as the heads tell it to who has the recovery key, on any machine.

Nothing there is trusted: a head counts if it was sealed with the owner's key of heads, for its
place, and follows the one before. Of several versions under one name, the oldest one that is good
counts. Where two heads of a keeper tell of the same capture, or of the same content, the earlier
one goes first: who has stolen a keeper can add heads, and change nothing that was told before.

He can add heads under another keeper's name, too, and no server says for sure which of two names
was there first. So of what keepers tell differently all is kept: who reads it takes what is signed
by a key that is relied on, and has the digest that it should have.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import LinkError, SecurityError, UsageError, VerificationError
from holdstill.model import names
from holdstill.model.sizes import counted
from holdstill.offsite import keeper_heads, pack_format
from holdstill.offsite.bucket import FailingObjectError
from holdstill.offsite.keeper_heads import UnreadHeadError
from holdstill.offsite.pack_format import Row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.model.names import BoardName
    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.head import Head, LedgerPart, SentCapture
    from holdstill.offsite.keeper_heads import FoundHead

_SCHEMA = """\
CREATE TABLE pack (id INTEGER PRIMARY KEY, name TEXT NOT NULL, sealed_key BLOB NOT NULL,
 UNIQUE (name, sealed_key));
CREATE TABLE content (digest BLOB NOT NULL, told INTEGER NOT NULL, pack INTEGER NOT NULL,
 offset INTEGER NOT NULL, length INTEGER NOT NULL, first INTEGER NOT NULL,
 PRIMARY KEY (digest, told)) WITHOUT ROWID;
CREATE TABLE version (name TEXT NOT NULL, position INTEGER NOT NULL, id TEXT NOT NULL,
 size INTEGER NOT NULL, PRIMARY KEY (name, position)) WITHOUT ROWID;
"""
"""pack: once more for each key that a head tells of it; told is the number of the row among all
that heads tell, in their order."""

ROWS = 50_000_000
"""Contents that are taken of one keeper's heads: some 2.5 GB of a list on this machine. A terabyte
of a Debian /usr has as many."""


class Place(NamedTuple):
    """Where a content is: a pack, the pack's sealed key, and the row."""

    pack: str
    sealed_key: bytes
    row: Row


class PutHead(NamedTuple):
    """A head that counts, without what its packs have; and the version of its object."""

    head: Head
    version: str


class ToldCapture(NamedTuple):
    """A capture, and the keeper whose head was its first to tell of it."""

    sent: SentCapture
    keeper: str


class Catalogue:
    """What all heads tell together.

    Attributes:
        bucket: where that is.
        captures: by board and name, as each keeper that tells of them has told first.
        away: (board, name) of the captures that had left their keeper for there.
        heads: of each keeper, in their order.
        lost: packs that heads tell to be there, and that are not.
        faults: what is wrong there, missing, or left out.
        failing: heads among these at which the server fails: nobody knows what they tell.
    """

    def __init__(self, bucket: Bucket, db: sqlite3.Connection, *, most: int = ROWS) -> None:
        self.bucket, self._db, self._most = bucket, db, most
        self.captures: dict[tuple[BoardName, str], list[ToldCapture]] = {}
        self.away: set[tuple[str, str]] = set()
        self.heads: dict[str, list[PutHead]] = {}
        self.lost: frozenset[str] = frozenset()
        self.faults: list[str] = []
        self.failing: list[str] = []
        self._told = self._unread = 0
        self._rows: dict[str, int] = {}

    def read(self, key: bytes) -> None:
        """Read all heads that are there.

        Raises:
            LinkError: the bucket cannot be read.
            SecurityError: not one head was made with this key, but there are some.
        """
        found = list(keeper_heads.found(self.bucket))
        self._read_heads(found, key)
        if found and self._unread == len(found):
            raise LinkError(
                f"{self.bucket.address}: no head there can be read: {self.faults[0]}",
                hint="may this access key read objects (GetObject, GetObjectVersion)?",
            )
        if not self.heads and self.failing:
            raise LinkError(
                f"{self.bucket.address}: {self.failing[0]}",
                hint="no other head is of this recovery key: say this again when the server hands "
                "that one out",
            )
        if found and not self.heads:
            raise SecurityError(
                f"{self.bucket.address}: no head there was made for this recovery key: "
                f"{'; '.join(self.faults[:3])}",
                hint="is it the key of another off-site copy, or another folder of the bucket?",
            )
        if not found:
            raise VerificationError(
                f"{self.bucket.address}: there is no off-site copy",
                hint="look at the address on the paper: host, bucket and folder",
            )
        with self._db:
            self._db.executemany(
                "INSERT OR IGNORE INTO version VALUES (?, ?, ?, ?)", self._versions()
            )
        self.lost = frozenset(
            name for keeper in self.heads for name in self.packs_of(keeper)
            if not self.versions(name)
        )  # fmt: skip
        if self.lost:
            self.faults.append(
                f"not there: {counted(len(self.lost), 'pack')} that heads tell of, as "
                f"{min(self.lost)}: captures that need it cannot be read whole. A list does not "
                "look at what captures need; `holdstill offsite verify` names what is missing"
            )

    def packs_of(self, keeper: str) -> frozenset[str]:
        """Return the packs that a keeper's heads tell to be there."""
        found: set[str] = set()
        for put in self.heads[keeper]:
            found |= {pack.name for pack in put.head.open.came}
            found -= {*put.head.open.went}
        return frozenset(found)

    def _versions(self) -> Iterator[tuple[str, int, str, int]]:
        name, position = "", 0
        for version in self.bucket.versions("packs/"):
            position = position + 1 if version.key == name else 0
            name = version.key
            yield name.removeprefix("packs/"), position, version.id, version.size

    def _read_heads(self, found: Iterable[FoundHead], key: bytes) -> None:
        """Take what heads tell, keeper by keeper, then look whether any is missing."""
        no_good: dict[str, list[str]] = {}
        for which in found:
            try:
                got = keeper_heads.read(self.bucket, which, key)
            except SecurityError as error:
                no_good.setdefault(which.keeper, []).append(str(error))
                self._unread += isinstance(error, UnreadHeadError)
                if isinstance(error.__cause__, FailingObjectError):
                    self.failing.append(str(error))
                continue
            if self._is_too_much(got):
                continue
            taken = self.heads.setdefault(which.keeper, [])
            if not taken or taken[-1].head.open.number != which.number:
                self._take(got)
                sealed = msgspec.structs.replace(got.sealed, packs=())
                taken.append(PutHead(got._replace(sealed=sealed), which.version.id))
            elif got.digest != taken[-1].head.digest:
                self.faults.append(f"{_name(got)}: there is a second one, which is not used")
        for keeper, texts in no_good.items():
            if keeper in self.heads:
                self.faults += texts
        self.faults += keeper_heads.of_strangers(
            {keeper: texts for keeper, texts in no_good.items() if keeper not in self.heads}
        )
        for put in self.heads.values():
            self.faults += _missing([one.head for one in put])

    def _is_too_much(self, got: Head) -> bool:
        """Whether a head is left out: its keeper tells of too much. The first one is named."""
        keeper, rows = got.open.keeper, sum(len(pack.rows) for pack in got.sealed.packs)
        before = self._rows.get(keeper, 0)
        self._rows[keeper] = before + rows
        if self._rows[keeper] <= self._most * pack_format.ROW_SIZE:
            return False
        if before <= self._most * pack_format.ROW_SIZE:
            self.faults.append(
                f"{_name(got)}: it and the heads before it tell of more than {self._most} "
                "contents; it and all later ones are left out"
            )
        return True

    def _take(self, got: Head) -> None:
        with self._db:
            for pack in got.sealed.packs:
                self._db.execute(
                    "INSERT OR IGNORE INTO pack (name, sealed_key) VALUES (?, ?)",
                    (pack.name, pack.sealed_key),
                )
                query = "SELECT id FROM pack WHERE name = ? AND sealed_key = ?"
                (number,) = self._db.execute(query, (pack.name, pack.sealed_key)).fetchone()
                for row in pack_format.rows_of(pack.rows):
                    self._told += 1
                    self._db.execute(
                        "INSERT INTO content VALUES (?, ?, ?, ?, ?, ?)",
                        (row.digest, self._told, number, row.offset, row.length, row.first),
                    )
        for sent in got.sealed.captures:
            self._take_capture(got, sent)
        self.away |= {(one.board, one.brief.name) for one in got.sealed.away}
        self.away -= {*got.sealed.released}

    def _take_capture(self, got: Head, sent: SentCapture) -> None:
        try:
            board = names.check_board(sent.board)
            seq = names.CaptureName.parse(sent.brief.name).seq
        except UsageError as error:
            self.faults.append(f"{_name(got)}: {error}")
            return
        if seq != sent.brief.seq:
            self.faults.append(
                f"{_name(got)}: it tells of capture {sent.brief.name} as number {sent.brief.seq}"
            )
            return
        every = self.captures.setdefault((board, sent.brief.name), [])
        before = next((one for one in every if one.keeper == got.open.keeper), None)
        if before is None:
            every.append(ToldCapture(sent, got.open.keeper))
            before = every[0]
        if before.sent.documents[0] != sent.documents[0]:
            self.faults.append(
                f"{_name(got)}: it has another capture {board}/{sent.brief.name} than an earlier "
                f"one, or one of keeper {before.keeper}, has told of"
            )

    def ledgers_of(self, board: str) -> dict[str, list[LedgerPart]]:
        """Return the parts of a board's ledgers, in the order in which each keeper told them."""
        found: dict[str, list[LedgerPart]] = {}
        for keeper, heads in self.heads.items():
            parts = [p for put in heads for p in put.head.sealed.ledgers if p.board == board]
            if parts:
                found[keeper] = parts
        return found

    def places(self, digest: bytes) -> list[Place]:
        """Return where a content is, the place to try first first; only packs that are there."""
        rows = self._db.execute(
            "SELECT name, sealed_key, digest, offset, length, first FROM content "
            "JOIN pack ON pack.id = content.pack WHERE digest = ? "
            "AND name IN (SELECT name FROM version) ORDER BY told",
            (digest,),
        )
        return [Place(name, key, Row(*row)) for name, key, *row in rows]

    def versions(self, pack: str) -> list[tuple[str, int]]:
        """Return id and size of all versions of a pack, oldest first."""
        rows = self._db.execute(
            "SELECT id, size FROM version WHERE name = ? ORDER BY position", (pack,)
        )
        return [(version, size) for version, size in rows]

    def sealed_keys(self, pack: str) -> tuple[bytes, ...]:
        """Return what heads tell to be the sealed key of a pack."""
        rows = self._db.execute("SELECT sealed_key FROM pack WHERE name = ?", (pack,))
        return tuple(key for (key,) in rows)


def _missing(heads: Sequence[Head]) -> Iterator[str]:
    """Yield which heads of a keeper are missing, and which does not follow the one before."""
    again = keeper_heads.merged(one.open for one in heads)
    number, digest = 0, ""
    for one in heads:
        lost = range(number + 1, one.open.number)
        if next(keeper_heads.lacking([lost], again), None):
            yield f"{_name(one)}: heads {lost[0]} to {lost[-1]} before it are missing or no good"
        elif not lost and one.open.previous != digest:
            yield f"{_name(one)}: it does not follow the head before it"
        number, digest = one.open.number, one.digest


def _name(got: Head) -> str:
    return f"head {got.open.number} of keeper {got.open.keeper}"


@contextmanager
def opened(bucket: Bucket, key: bytes, folder: Path, *, most: int = ROWS) -> Iterator[Catalogue]:
    """Hold a catalogue of all that is off-site; its tables are in a folder of this machine.

    most: contents that are taken of the heads of one keeper.

    Raises:
        LinkError: the bucket cannot be read.
        SecurityError: nothing there was made with this key of heads.
        VerificationError: nothing is there.
    """
    db = sqlite3.connect(folder / "catalogue.sqlite", check_same_thread=False)
    try:
        db.executescript(_SCHEMA)
        db.execute("PRAGMA synchronous = OFF")  # gone with the folder
        made = Catalogue(bucket, db, most=most)
        made.read(key)
        yield made
    finally:
        db.close()
