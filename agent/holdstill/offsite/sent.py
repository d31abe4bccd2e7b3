"""What a keeper has sent off-site: STORE/offsite.sqlite, a note that spares sending it again.

It can be made again from the keeper's heads (`Sent.take`), with the key of heads alone. A pack is
noted when it is put, and belongs to a head when that is put as well: what a run that broke off has
put is not sent again.

A head is noted, by its digest, before it is put. So a head that is there and not in the notes is
somebody else's; only notes that are empty are made from what is there. What heads tell that were
there then (`SentHead.is_found`) nobody has proven: a thief may have put them, and this keeper
cannot look into a pack. Their packs stay, locked, and nothing counts as sent for being told there.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import MachineError
from holdstill.offsite import pack_format
from holdstill.offsite.head import AwayCapture, LedgerPart, PackObject, PackRows

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from holdstill.offsite.head import Head
    from holdstill.offsite.pack_writer import Pack

NAME = "offsite.sqlite"
_PATIENCE = 60.0
_VERSION = 3
_SCHEMA = """\
CREATE TABLE pack (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, size INTEGER NOT NULL,
 version TEXT NOT NULL, until TEXT NOT NULL, head INTEGER, sealed_key BLOB NOT NULL,
 rows BLOB NOT NULL, is_foreign INTEGER NOT NULL);
CREATE TABLE content (digest BLOB PRIMARY KEY, pack INTEGER NOT NULL, length INTEGER NOT NULL)
 WITHOUT ROWID;
CREATE INDEX content_pack ON content (pack);
CREATE TABLE head (number INTEGER PRIMARY KEY, digest TEXT NOT NULL, version TEXT NOT NULL,
 until TEXT NOT NULL, size INTEGER NOT NULL, merged_by INTEGER NOT NULL DEFAULT 0,
 is_found INTEGER NOT NULL DEFAULT 0);
CREATE TABLE capture (board TEXT NOT NULL, name TEXT NOT NULL, manifest BLOB NOT NULL,
 signature BLOB NOT NULL, enrolment BLOB NOT NULL, PRIMARY KEY (board, name)) WITHOUT ROWID;
CREATE TABLE ledger (board TEXT NOT NULL, offset INTEGER NOT NULL, length INTEGER NOT NULL,
 digest BLOB NOT NULL, PRIMARY KEY (board, offset)) WITHOUT ROWID;
CREATE TABLE away (board TEXT NOT NULL, name TEXT NOT NULL, told BLOB NOT NULL,
 PRIMARY KEY (board, name)) WITHOUT ROWID;
CREATE TABLE away_pack (board TEXT NOT NULL, name TEXT NOT NULL, pack TEXT NOT NULL,
 PRIMARY KEY (board, name, pack)) WITHOUT ROWID;
CREATE TABLE gone_head (digest TEXT PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE went (name TEXT PRIMARY KEY, version TEXT NOT NULL, until TEXT NOT NULL,
 told INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE lost (name TEXT PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE doubt (digest TEXT PRIMARY KEY) WITHOUT ROWID;
INSERT INTO doubt VALUES ('');
"""
"""went: packs that are let go; told by a head already, or not; not to be deleted until then.
lost: packs of which what was sent is not there.
doubt: of heads that may have been put after the last one that is noted; '' for any: the notes are
being made from what is there."""
_VIEW = """\
CREATE TEMP VIEW sent AS SELECT digest, name, is_foreign, head FROM content
 JOIN pack ON pack.id = content.pack
 WHERE NOT EXISTS (SELECT 1 FROM head WHERE number = pack.head AND is_found)
"""
"""Contents that were sent, with their packs: without those that only found heads tell of."""


class SentPack(NamedTuple):
    """A pack that was put; until is when its lock ends (RFC 3339), "" for no lock."""

    id: int
    name: str
    size: int
    version: str
    until: str


class LetGo(NamedTuple):
    """A pack that a head has told is let go: to be deleted, not before `until`, "" for at once."""

    name: str
    version: str
    until: str


class SentHead(NamedTuple):
    """A head that was put.

    Attributes:
        merged_by: number of a later head that tells all of it again; 0 for none.
        is_found: whether it was there when these notes were made, whoever has put it.
    """

    number: int
    digest: str
    version: str
    until: str
    size: int
    merged_by: int
    is_found: int


class Sent:
    """The open database; each call is a transaction of its own."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def has(self, digest: bytes) -> bool:
        """Return whether a content is in a pack that was put; the word of a found head is none."""
        row = self._db.execute("SELECT 1 FROM sent WHERE digest = ?", (digest,)).fetchone()
        return row is not None

    def sent(self, low: bytes, high: bytes) -> frozenset[bytes]:
        """Return the contents from one digest up to another of which `has` is true."""
        query = "SELECT digest FROM sent WHERE digest >= ? AND digest < ?"
        return frozenset(digest for (digest,) in self._db.execute(query, (low, high)))

    def is_sent(self, board: str, name: str) -> bool:
        """Return whether a head has told of a capture."""
        query = "SELECT 1 FROM capture WHERE board = ? AND name = ?"
        return self._db.execute(query, (board, name)).fetchone() is not None

    def captures(self) -> frozenset[tuple[str, str]]:
        """Return (board, name) of the captures that are off-site and not released."""
        return frozenset(self._db.execute("SELECT board, name FROM capture"))

    def away(self) -> tuple[AwayCapture, ...]:
        """Return the captures that have left the keeper, in their order."""
        rows = self._db.execute("SELECT told FROM away ORDER BY board, name")
        return tuple(msgspec.msgpack.decode(told, type=AwayCapture) for (told,) in rows)

    def is_away(self, capture: AwayCapture) -> bool:
        """Return whether a head has told that a capture has left."""
        query = "SELECT 1 FROM away WHERE board = ? AND name = ?"
        row = self._db.execute(query, (capture.board, capture.brief.name)).fetchone()
        return row is not None

    def away_packs(self) -> frozenset[str]:
        """Return the packs that captures need which have left: nobody else has what is in them."""
        return frozenset(name for (name,) in self._db.execute("SELECT pack FROM away_pack"))

    def documents_of(self, board: str, name: str) -> tuple[bytes, bytes, bytes] | None:
        """Return the digests of the documents of a capture that a head has told of."""
        query = "SELECT manifest, signature, enrolment FROM capture WHERE board = ? AND name = ?"
        row = self._db.execute(query, (board, name)).fetchone()
        return (row[0], row[1], row[2]) if row else None

    def pack_of(self, digest: bytes) -> str | None:
        """Return the pack that a head of ours tells to have a content.

        None if another keeper made the pack, or the head was found: who knows what is in it.
        """
        query = "SELECT name FROM sent WHERE digest = ? AND head IS NOT NULL AND NOT is_foreign"
        row = self._db.execute(query, (digest,)).fetchone()
        return row[0] if row else None

    def pack(self, name: str) -> SentPack:
        """Return a pack that was put."""
        query = "SELECT id, name, size, version, until FROM pack WHERE name = ?"
        return SentPack._make(self._db.execute(query, (name,)).fetchone())

    def last_head(self) -> SentHead:
        """Return the newest head; of number 0 before the first."""
        row = self._db.execute("SELECT * FROM head ORDER BY number DESC LIMIT 1").fetchone()
        return SentHead._make(row) if row else SentHead(0, "", "", "", 0, 0, 0)

    def heads(self) -> tuple[SentHead, ...]:
        """Return all heads."""
        return tuple(map(SentHead._make, self._db.execute("SELECT * FROM head ORDER BY number")))

    def every_head(self) -> frozenset[str]:
        """Return the digests of all heads that were put, or may have been, gone ones as well."""
        query = (
            "SELECT digest FROM head UNION SELECT digest FROM gone_head "
            "UNION SELECT digest FROM doubt"
        )
        return frozenset(digest for (digest,) in self._db.execute(query))

    def begin_head(self, digest: str) -> None:
        """Note that a head is about to be put, of which nobody may be told whether it was."""
        with self._db:
            self._db.execute("INSERT OR IGNORE INTO doubt VALUES (?)", (digest,))

    def is_in_doubt(self) -> bool:
        """Return whether there may be a newer head than is noted: see `begin_head`."""
        return self._db.execute("SELECT 1 FROM doubt").fetchone() is not None

    def is_begun(self, digest: str) -> bool:
        """Return whether a head that is not noted is one that was about to be put."""
        query = "SELECT 1 FROM doubt WHERE digest = ?"
        return bool(digest) and self._db.execute(query, (digest,)).fetchone() is not None

    def is_being_made(self) -> bool:
        """Return whether the notes are new, and to be made of what is there."""
        return self._db.execute("SELECT 1 FROM doubt WHERE digest = ''").fetchone() is not None

    def note_made(self) -> None:
        """Note that all that is there was taken: what comes to it from now on is put by us."""
        with self._db:
            self._db.execute("DELETE FROM doubt WHERE digest = ''")

    def note_pack(self, pack: Pack, *, version: str, until: str, is_foreign: bool = False) -> None:
        """Note that a pack was put, by us or another keeper.

        A content that is packed again is in the newer pack from then on, but for a foreign one:
        of what we have nothing is looked for in what others say that they have.
        """
        rows = PackRows(
            name=pack.name, sealed_key=pack.sealed_key, rows=pack.rows, is_foreign=is_foreign
        )
        with self._db:
            self._add_pack(rows, pack.size, version, until, is_newest=not is_foreign)
            # One that was let go may be taken over from another keeper later.
            self._db.execute("DELETE FROM went WHERE name = ?", (pack.name,))

    def _add_pack(
        self, pack: PackRows, size: int, version: str, until: str, *, is_newest: bool
    ) -> None:
        found = self._db.execute(
            "INSERT OR IGNORE INTO pack (name, size, version, until, sealed_key, rows, "
            "is_foreign) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id",
            (pack.name, size, version, until, pack.sealed_key, pack.rows, pack.is_foreign),
        ).fetchone()
        if found is not None:
            self._db.executemany(
                "INSERT OR REPLACE INTO content VALUES (?, ?, ?)"
                if is_newest
                else "INSERT OR IGNORE INTO content VALUES (?, ?, ?)",
                ((row.digest, found[0], row.length) for row in pack_format.rows_of(pack.rows)),
            )

    def untold(self) -> tuple[tuple[PackObject, PackRows], ...]:
        """Return the packs that no head has told of yet."""
        rows = self._db.execute(
            "SELECT name, size, sealed_key, rows, is_foreign FROM pack WHERE head IS NULL "
            "ORDER BY id"
        )
        return tuple(
            (
                PackObject(name=name, size=size),
                PackRows(name=name, sealed_key=key, rows=packed, is_foreign=bool(is_foreign)),
            )
            for name, size, key, packed, is_foreign in rows
        )

    def note_head(self, head: Head, *, version: str, until: str, size: int) -> None:
        """Note that a head of so many bytes was put, with all that it tells."""
        number = head.open.number
        with self._db:
            self._db.execute(
                "INSERT INTO head (number, digest, version, until, size) VALUES (?, ?, ?, ?, ?)",
                (number, head.digest, version, until, size),
            )
            self._db.execute("DELETE FROM doubt")
            self._note_told(head)

    def forget_head(self, number: int) -> None:
        """Note that a head that was merged is gone."""
        with self._db:
            self._db.execute(
                "INSERT OR IGNORE INTO gone_head SELECT digest FROM head WHERE number = ?",
                (number,),
            )
            self._db.execute("DELETE FROM head WHERE number = ?", (number,))

    def _note_told(self, head: Head) -> None:
        # Rows are in the head now: no need to have them twice.
        self._db.executemany(
            "UPDATE pack SET head = ?, rows = x'' WHERE name = ?",
            ((head.open.number, pack.name) for pack in head.open.came),
        )
        if head.open.merges:
            self._db.execute(
                "UPDATE head SET merged_by = ? WHERE number >= ? AND number < ?",
                (head.open.number, head.open.merges, head.open.number),
            )
        self._db.executemany(
            "INSERT OR IGNORE INTO capture VALUES (?, ?, ?, ?, ?)",
            ((sent.board, sent.brief.name, *sent.documents) for sent in head.sealed.captures),
        )
        self._db.executemany(
            "DELETE FROM capture WHERE board = ? AND name = ?", head.sealed.released
        )
        self._note_away(head)
        released = head.sealed.released
        self._db.executemany("DELETE FROM away WHERE board = ? AND name = ?", released)
        self._db.executemany("DELETE FROM away_pack WHERE board = ? AND name = ?", released)
        for one in head.sealed.ledgers:
            # A part takes the place of all that began where it begins, or later.
            self._db.execute(
                "DELETE FROM ledger WHERE board = ? AND offset >= ?", (one.board, one.offset)
            )
            self._db.execute(
                "INSERT INTO ledger VALUES (?, ?, ?, ?)",
                (one.board, one.offset, one.length, one.digest),
            )
        gone = [(name,) for name in head.open.went]
        self._db.executemany("UPDATE went SET told = 1 WHERE name = ?", gone)
        self._db.executemany("DELETE FROM lost WHERE name = ?", gone)
        self._db.executemany(
            "DELETE FROM content WHERE pack = (SELECT id FROM pack WHERE name = ?)", gone
        )
        self._db.executemany("DELETE FROM pack WHERE name = ?", gone)

    def _note_away(self, head: Head) -> None:
        for away in head.sealed.away:
            name = away.brief.name
            told = msgspec.msgpack.encode(away)
            self._db.execute(
                "INSERT OR REPLACE INTO away VALUES (?, ?, ?)", (away.board, name, told)
            )
            self._db.executemany(
                "INSERT OR IGNORE INTO away_pack VALUES (?, ?, ?)",
                ((away.board, name, pack) for pack in away.packs),
            )

    def take(
        self, head: Head, *, version: str, size: int, packs: Mapping[str, str], is_found: bool
    ) -> None:
        """Note what a head tells that is in the bucket already; heads are taken in their order.

        Args:
            head: as it was read. What these notes have of a pack or a content already stays.
            version: of its object.
            size: bytes of it.
            packs: versions of those of its packs that are taken, by their names.
            is_found: whether it is taken for being there; if not, it is one that we have put.
        """
        sizes = {pack.name: pack.size for pack in head.open.came}
        with self._db:
            # Asked for again before the first deadline that there may be.
            self._db.execute(
                "INSERT INTO head (number, digest, version, until, size, is_found) "
                "VALUES (?, ?, ?, '', ?, ?)",
                (head.open.number, head.digest, version, size, is_found),
            )
            self._db.execute("DELETE FROM doubt WHERE digest != ''")
            for pack in (one for one in head.sealed.packs if one.name in packs):
                self._add_pack(
                    pack, sizes.get(pack.name, 0), packs[pack.name], "", is_newest=False
                )
            self._note_told(head)

    def ledger(self, board: str) -> tuple[LedgerPart, ...]:
        """Return the parts of a board's ledger that were sent, in their order."""
        rows = self._db.execute(
            "SELECT offset, length, digest FROM ledger WHERE board = ? ORDER BY offset", (board,)
        )
        return tuple(
            LedgerPart(board=board, offset=offset, length=length, digest=digest)
            for offset, length, digest in rows
        )

    def packs(self) -> tuple[SentPack, ...]:
        """Return all packs that were put, oldest first."""
        rows = self._db.execute("SELECT id, name, size, version, until FROM pack ORDER BY id")
        return tuple(map(SentPack._make, rows))

    def documents(self) -> frozenset[bytes]:
        """Return the digests of what is needed and in no store's contents: manifests, ledgers."""
        rows = self._db.execute(
            "SELECT manifest FROM capture UNION SELECT signature FROM capture "
            "UNION SELECT enrolment FROM capture UNION SELECT digest FROM ledger"
        )
        return frozenset(digest for (digest,) in rows)

    def document_of(self, digest: bytes) -> tuple[str, str, int] | None:
        """Return (board, capture, which of its three documents) of a digest; None for others."""
        query = (
            "SELECT board, name, CASE ? WHEN manifest THEN 0 WHEN signature THEN 1 ELSE 2 END "
            "FROM capture WHERE ? IN (manifest, signature, enrolment) LIMIT 1"
        )
        row = self._db.execute(query, (digest, digest)).fetchone()
        return (row[0], row[1], row[2]) if row else None

    def lines_of(self, digest: bytes) -> LedgerPart | None:
        """Return the part of a ledger that has this digest; None if there is none."""
        query = "SELECT board, offset, length FROM ledger WHERE digest = ? LIMIT 1"
        row = self._db.execute(query, (digest,)).fetchone()
        if row is None:
            return None
        board, offset, length = row
        return LedgerPart(board=board, offset=offset, length=length, digest=digest)

    def located(self, low: bytes, high: bytes) -> Iterator[tuple[bytes, int, int]]:
        """Yield (digest, pack, bytes in it) of contents from one digest up to another."""
        yield from self._db.execute(
            "SELECT digest, pack, length FROM content WHERE digest >= ? AND digest < ?",
            (low, high),
        )

    def contents(self, pack: int) -> tuple[bytes, ...]:
        """Return the digests that are in a pack, and in no later one."""
        rows = self._db.execute("SELECT digest FROM content WHERE pack = ?", (pack,))
        return tuple(digest for (digest,) in rows)

    def note_lock(self, table: str, name: str | int, until: str) -> None:
        """Note until when a pack or head is locked."""
        column = {"pack": "name", "head": "number"}[table]
        with self._db:
            self._db.execute(f"UPDATE {table} SET until = ? WHERE {column} = ?", (until, name))  # noqa: S608  names from above

    def note_gone(self, name: str) -> None:
        """Note that a pack is let go: nothing of it counts as sent. The next head tells so."""
        with self._db:
            self._db.execute(
                "INSERT OR IGNORE INTO went SELECT name, version, '', 0 FROM pack WHERE name = ?",
                (name,),
            )
            self._db.execute(
                "DELETE FROM content WHERE pack = (SELECT id FROM pack WHERE name = ?)", (name,)
            )

    def note_lost(self, names: Iterable[str]) -> None:
        """Note that of these packs what was sent is not there any more."""
        with self._db:
            self._db.executemany(
                "INSERT OR IGNORE INTO lost SELECT name FROM pack WHERE name = ?",
                ((name,) for name in names),
            )

    def lost(self) -> frozenset[str]:
        """Return the packs of which what was sent is not there any more."""
        return frozenset(name for (name,) in self._db.execute("SELECT name FROM lost"))

    def gone(self) -> tuple[str, ...]:
        """Return the packs that were let go and that no head has told of."""
        query = "SELECT name FROM went WHERE NOT told ORDER BY name"
        return tuple(name for (name,) in self._db.execute(query))

    def let_go(self) -> tuple[LetGo, ...]:
        """Return the packs that a head has told are let go, and that may be there still."""
        rows = self._db.execute("SELECT name, version, until FROM went WHERE told ORDER BY name")
        return tuple(map(LetGo._make, rows))

    def note_held(self, name: str, until: str) -> None:
        """Note until when the server does not let go of a pack."""
        with self._db:
            self._db.execute("UPDATE went SET until = ? WHERE name = ?", (until, name))

    def note_deleted(self, name: str) -> None:
        """Note that a pack that was let go is there no more."""
        with self._db:
            self._db.execute("DELETE FROM went WHERE name = ?", (name,))


@contextmanager
def opened(path: Path) -> Iterator[Sent]:
    """Hold the database open; one that is not there is made, empty.

    Raises:
        MachineError: it is damaged, not ours, or cannot be used.
    """
    hint = f"move it away: `holdstill offsite upload` makes {path.name} again from the bucket"
    try:
        db = sqlite3.connect(path, timeout=_PATIENCE)
    except sqlite3.Error as error:
        raise MachineError(f"{path} cannot be used: {error}", hint=hint) from error
    try:
        _prepare(db, path, hint)
        db.execute(_VIEW)
        yield Sent(db)
    except sqlite3.DatabaseError as error:
        raise MachineError(f"{path} cannot be used: {error}", hint=hint) from error
    finally:
        db.close()


def _prepare(db: sqlite3.Connection, path: Path, hint: str) -> None:
    path.chmod(0o600)
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if version == 0 and not db.execute("SELECT 1 FROM sqlite_master").fetchone():
        db.executescript(f"BEGIN;\n{_SCHEMA}PRAGMA user_version = {_VERSION};\nCOMMIT;")
    elif version != _VERSION:
        raise MachineError(f"{path} is of another version", hint=hint)
