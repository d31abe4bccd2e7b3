"""The messages between board and keeper: the data of every call, in plain frozen form.

The calls themselves are the methods of a keeper (holdstill.keeper). Over SSH they travel as
JSON-RPC 2.0, one message a line; bytes travel beside them by rsync, into the incoming area of
the run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model import finding
from holdstill.model.boot import BootFinding
from holdstill.model.card_reading import CardReading
from holdstill.model.layout import Record

if TYPE_CHECKING:
    from collections.abc import Sequence

PROTOCOL = 3
BATCH = 20_000
"""Most digests in one call."""
MESSAGE_LIMIT = 8 << 20
"""Bytes of one message (line)."""
FOLDERS = 3
"""Of a run, that contents arrive in: two are filled at a time, and one is taken over."""
NONCE = 32
"""Bytes that the keeper picks at random for each call that asks for proofs."""


class CaptureBrief(Record, frozen=True, kw_only=True):
    """One sealed capture in a list.

    Attributes:
        manifest: SHA-256 of the manifest's bytes.
        index: SHA-256 of the index.
        taken_at: the board's clock (RFC 3339); arrived_at: the keeper's.
        new_bytes: what it added to the store.
        last_known: the number of the capture that its machine knew to be the last.
        verified_at: since when no content was left unread by `verify`.
        booted_at: when a rehearsal last booted it.
        boot: whether a card made of it would boot; None before that was judged.
        damaged_at: when re-hashing first found contents damaged, "" if they are good as far as
            anybody knows.
        unread_at: when contents could first not be read, and none of those that tried since could.
        faults: what is known to be wrong with it; empty for a good one.
        missing, not_rebuildable, left_out: findings of each kind in its manifest.
        in_clear: whether it holds, unencrypted, what is encrypted on the card.
        card: the last reading of the card before it; None for none.
        seconds: how long it took until its manifest was written; 0 where nobody knows.
        note: what its owner noted about it, "" for nothing.
    """

    name: str
    seq: int
    manifest: str
    index: str
    grade: str
    taken_at: str
    arrived_at: str = ""
    clock_trusted: bool = True
    frozen_ms: float = 0.0
    entries: int = 0
    content_bytes: int = 0
    new_bytes: int = 0
    last_known: int = 0
    pinned: bool = False
    verified_at: str = ""
    booted_at: str = ""
    boot: BootFinding | None = None
    damaged_at: str = ""
    unread_at: str = ""
    faults: tuple[str, ...] = ()
    missing: int = 0
    not_rebuildable: int = 0
    left_out: int = 0
    in_clear: bool = False
    card: CardReading | None = None
    seconds: float = 0.0
    note: str = ""

    @property
    def completeness(self) -> str:
        """How many findings it has of each kind, in words; "" for none."""
        return finding.counted(self.missing, self.not_rebuildable, self.left_out)

    @property
    def is_whole(self) -> bool:
        """Whether nothing is known to be wrong with it or with its contents."""
        return not self.faults and not self.damaged_at

    @property
    def trouble(self) -> tuple[str, ...]:
        """All that is known to be wrong, for people."""
        return (*self.faults, *filter(None, (self.content_trouble,)))

    @property
    def content_trouble(self) -> str:
        """What is known to be wrong with its contents, in words; "" for nothing."""
        if self.damaged_at:
            return f"damaged contents, found {self.damaged_at[:10]}"
        return f"contents that cannot be read, {self.unread_at[:10]}" if self.unread_at else ""


def newest_good(briefs: Sequence[CaptureBrief]) -> CaptureBrief | None:
    """Return the newest capture without faults, the oldest first; None if each has one.

    One with damaged contents is taken only when there is no other.
    """
    good = [brief for brief in briefs if not brief.faults]
    whole = [brief for brief in good if brief.is_whole]
    return next(reversed(whole or good), None)


class Hello(Record, frozen=True, kw_only=True):
    """What a board learns first.

    Attributes:
        free_bytes, free_inodes: what this board may still bring today, by all limits.
        newest: the newest good capture, the base of the next one.
        keys: `type base64` of the keys whose captures are taken; none from a keeper that does
            not say.
        version: of holdstill there; "" from a keeper that does not say.
        missing: programs that are not installed there, and without which nothing is sent.
        readable: of a reader's key, the boards that it may read; board is "" until it has chosen
            one, and keys are then all that may have signed captures of that one.
    """

    protocol: int
    board: str
    free_bytes: int
    free_inodes: int
    now: str
    newest: CaptureBrief | None = None
    keys: tuple[str, ...] = ()
    version: str = ""
    missing: tuple[str, ...] = ()
    readable: tuple[str, ...] = ()


class RunStarted(Record, frozen=True, kw_only=True):
    """A run has begun at the keeper.

    Attributes:
        run: its name.
        seq: the number that the capture will have.
        previous: SHA-256 of the manifest before, "" for the first.
        folders: where rsync puts contents, named by digest: paths for the rsync at the keeper's
            end. While the keeper takes over what is in one, the others can be filled.
    """

    run: str
    seq: int
    previous: str
    folders: tuple[str, ...]


class WantedContent(Record, frozen=True, kw_only=True):
    """A content that the board would send.

    Attributes:
        basis: digest of an older content of the same file, "" for none: the keeper lays a copy
            of it out where rsync will find it.
    """

    digest: str
    size: int
    basis: str = ""


class Lacking(Record, frozen=True, kw_only=True):
    """What a board has to do about contents, before a capture of it can have them.

    Attributes:
        send: digests of those to be sent.
        prove: digests of those that are here, from another board: a `Proof` will do.
        nonce: what the proofs are keyed with; it counts for the next call of `prove` only.
    """

    send: tuple[str, ...] = ()
    prove: tuple[str, ...] = ()
    nonce: bytes = b""

    def __len__(self) -> int:
        return len(self.send) + len(self.prove)


class Proof(Record, frozen=True, kw_only=True):
    """That the board has a content: HMAC-SHA256 (RFC 2104) of its bytes, keyed with the nonce."""

    digest: str
    mac: bytes


class Ingested(Record, frozen=True, kw_only=True):
    """What became of contents that arrived.

    Attributes:
        kept: how many are in the store now.
        new_bytes: their bytes.
        bad: digests whose bytes were not as named, or that did not arrive.
    """

    kept: int
    new_bytes: int
    bad: tuple[str, ...] = ()


class SealResult(Record, frozen=True, kw_only=True):
    """The answer to sealing. name is empty when contents are lacking; bring them, seal again."""

    name: str = ""
    lacking: Lacking = Lacking()
    new_bytes: int = 0
