"""Sends what is not off-site yet: contents in packs, then a head that tells of them.

Whatever is noted here as sent was put, its bytes were compared by the server (Content-MD5), and
the server has said until when it is locked. A capture is told of by the first head after all of
its contents are there; before that nothing off-site says that it exists.
"""

from __future__ import annotations

import hashlib
import itertools
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.errors import SecurityError
from holdstill.offsite import (
    head,
    in_memory,
    keeper_heads,
    merged_head,
    promises,
    seal_ahead,
    split_head,
)
from holdstill.offsite.bucket import Version
from holdstill.offsite.head import LedgerPart, OpenPart, SealedPart, SentCapture
from holdstill.offsite.keeper_heads import FoundHead
from holdstill.offsite.pack_sender import PackSender
from holdstill.offsite.pack_writer import PackWriter
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from concurrent.futures import ThreadPoolExecutor
    from pathlib import Path

    from holdstill.model.protocol import CaptureBrief
    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.head import AwayCapture, Head, PackObject
    from holdstill.offsite.locks import Locks
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent, SentHead
    from holdstill.system.clocks import Clock

_UNTOLD_MOST = 16
"""Packs that are put before a head tells of them: half a gigabyte."""


class CaptureToSend(Protocol):
    """A capture of the keeper's."""

    @property
    def board(self) -> str:
        """Whose it is."""

    @property
    def brief(self) -> CaptureBrief:
        """What the keeper knows of it."""

    def documents(self) -> tuple[bytes, bytes, bytes]:
        """Return its manifest, its signature, and the board's enrolment."""

    def needed(self) -> Iterator[tuple[bytes, int]]:
        """Yield (digest, size) of every content that it needs; some may come twice."""

    def open(self, digest: bytes) -> int:
        """Return a descriptor of a content, which the caller closes."""


class OpenContent(Protocol):
    """Opens contents."""

    def __call__(self, digest: bytes) -> int:
        """Return a descriptor of a content, which the caller closes."""


@dataclass
class UploadReport:
    """What was sent.

    Attributes:
        packs, bytes: that were put, and their bytes.
        contents: that are in them.
        captures: BOARD/CAPTURE of those that are off-site now.
        head: number of the newest head.
    """

    packs: int = 0
    bytes: int = 0
    contents: int = 0
    captures: list[str] = field(default_factory=list)
    head: int = 0


class _Waiting(NamedTuple):
    """A capture that is to be told of when so many packs of this run are there."""

    packs: int
    told: SentCapture


@dataclass
class Uploader:
    """One run of sending.

    Attributes:
        folder: of this machine, for the pack in the making, and the one on its way.
        pool: threads that seal.
        sender: puts packs.
        bad_head: number of a head that could not be merged, and why; None without any.
    """

    bucket: Bucket
    sent: Sent
    settings: OffsiteSettings
    locks: Locks
    clock: Clock
    folder: Path
    pool: ThreadPoolExecutor = field(default_factory=seal_ahead.pool)
    sender: PackSender = field(init=False)
    report: UploadReport = field(default_factory=UploadReport)
    bad_head: tuple[int, SecurityError] | None = None
    _writer: PackWriter | None = None
    _in_pack: set[bytes] = field(default_factory=set)
    _on_the_way: set[bytes] = field(default_factory=set)
    _numbers: Iterator[int] = field(default_factory=itertools.count)
    _filled: int = 0
    _waiting: list[_Waiting] = field(default_factory=list)
    _ledgers: list[LedgerPart] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.sender = PackSender(self.bucket, self.locks, self.settings.rate, self.clock)

    def send(self, capture: CaptureToSend) -> None:
        """Send what a capture needs and is not there yet.

        Raises:
            DamagedContentError: a content of the store's is damaged; the others are sent.
        """
        for digest, _ in capture.needed():
            self._add(digest, capture.open)
        documents = capture.documents()
        for document in documents:
            self.add_bytes(document)
        manifest, signature, enrolment = (hashlib.sha256(one).digest() for one in documents)
        told = SentCapture(
            board=capture.board, brief=capture.brief, documents=(manifest, signature, enrolment)
        )
        # Its documents may have been there before: what it needs besides may be in any of these.
        self._waiting.append(_Waiting(self._filled + bool(self._in_pack), told))

    def send_missing(self, digest: bytes, open_content: OpenContent) -> None:
        """Send a content that is in no pack, if that is so."""
        self._add(digest, open_content)

    def send_again(self, digests: Iterable[bytes], open_content: OpenContent) -> None:
        """Pack contents again that are in a pack which is mostly dead."""
        for digest in digests:
            if not self._is_packed(digest):
                self._put_in(digest, open_content)

    def send_ledger(self, board: str, data: bytes) -> None:
        """Send the lines of a ledger that are not there yet; data is all of it."""
        known = 0
        for part in self.sent.ledger(board):
            lines = data[part.offset : part.offset + part.length]
            if part.offset != known or hashlib.sha256(lines).digest() != part.digest:
                break
            known += part.length
        fresh = data[known : data.rfind(b"\n") + 1]
        if fresh:
            digest = self.add_bytes(fresh)
            self._ledgers.append(
                LedgerPart(board=board, offset=known, length=len(fresh), digest=digest)
            )

    def add_bytes(self, data: bytes) -> bytes:
        """Send bytes as a content; return their digest."""
        digest = hashlib.sha256(data).digest()
        self._add(digest, lambda _: in_memory.opened(data))
        return digest

    def _add(self, digest: bytes, open_content: OpenContent) -> None:
        if not self._is_packed(digest) and not self.sent.has(digest):
            self._put_in(digest, open_content)

    def _is_packed(self, digest: bytes) -> bool:
        """Return whether a content is in a pack that is not settled."""
        return digest in self._in_pack or digest in self._on_the_way

    def _put_in(self, digest: bytes, open_content: OpenContent) -> None:
        handle = open_content(digest)
        try:
            self._pack().add(digest, handle)
        finally:
            os.close(handle)
        self._in_pack.add(digest)
        if self._pack().is_full:
            self._put_pack()

    def _pack(self) -> PackWriter:
        if self._writer is None:
            path = self.folder / f"pack-{next(self._numbers)}"
            self._writer = PackWriter(path, self.settings.keys, self.pool)
        return self._writer

    def _put_pack(self) -> None:
        """Begin to put the pack in the making, if it has anything, after the one before."""
        writer = self._writer
        if writer is None or not writer.contents:
            return
        pack = writer.finish()  # one that cannot be finished stays, and each later call fails
        self._settle()
        self._writer = None
        self._on_the_way, self._in_pack = self._in_pack, set()
        self._filled += 1
        self.sender.begin(pack, writer.path)

    def _settle(self) -> None:
        """Wait for the pack that is on its way, and note it."""
        done = self.sender.settled()
        if done is None:
            return
        self.sent.note_pack(done.pack, version=done.version, until=self.locks.until_text)
        self.report.packs += 1
        self.report.bytes += done.pack.size
        self.report.contents += len(self._on_the_way)
        self._on_the_way.clear()
        if len(self.sent.untold()) >= _UNTOLD_MOST:
            self._put_head(())

    def finish(self, released: Iterable[tuple[str, str]]) -> UploadReport:
        """Put what is left, and a head that tells of all; released: thinned captures."""
        self._put_pack()
        self._settle()
        self._put_head(tuple(released))
        self._merge_heads()
        self.report.head = self.sent.last_head().number
        return self.report

    def _put_head(self, released: tuple[tuple[str, str], ...]) -> None:
        untold, gone = self.sent.untold(), self.sent.gone()
        captures, ledgers = self._told()
        if not (untold or gone or captures or ledgers or released):
            return
        sealed = SealedPart(
            packs=tuple(rows for _, rows in untold), captures=captures, ledgers=ledgers,
            released=released,
        )  # fmt: skip
        self._put_parts(sealed, [one for one, _ in untold], gone)
        self.report.captures += [f"{one.board}/{one.brief.name}" for one in captures]

    def _put_parts(
        self, sealed: SealedPart, came: Sequence[PackObject], gone: tuple[str, ...]
    ) -> None:
        """Put one head, or several; what went is told after what has taken its place."""
        parts = [*split_head.split(sealed)]
        for part in parts:
            names = {pack.name for pack in part.packs}
            self._put_this_head(
                part, came=tuple(one for one in came if one.name in names),
                went=gone if part is parts[-1] else (),
            )  # fmt: skip

    def tell_away(self, captures: Sequence[AwayCapture]) -> None:
        """Put a head that tells that captures are off-site alone from now on."""
        if captures:
            self._put_parts(SealedPart(away=tuple(captures)), (), ())

    def _put_this_head(
        self, sealed: SealedPart, *, came: tuple[PackObject, ...], went: tuple[str, ...],
        merges: int = 0,
    ) -> None:  # fmt: skip
        last = self.sent.last_head()
        told = OpenPart(
            number=last.number + 1, keeper=self.settings.keeper, previous=last.digest,
            at=clocks.rfc3339(self.locks.now), came=came, went=went, merges=merges,
        )  # fmt: skip
        data = head.encode(told, sealed, self.settings.keys.heads)
        key = keeper_heads.key_of(told.keeper, told.number)
        self.sent.begin_head(head.digest(data))
        version = self.bucket.put(key, data, promises.md5_of(data), until=self.locks.until)
        self.locks.check(key, version)
        made: Head = head.Head(told, sealed, head.digest(data))
        self.sent.note_head(made, version=version, until=self.locks.until_text, size=len(data))

    def _merge_heads(self) -> None:
        """Put one head in place of many small ones, if there are many."""
        every = self.sent.heads()
        # Those that were found there stay: who knows who has put them.
        found_to = max((one.number for one in every if one.is_found), default=0)
        live = [one for one in every if one.number > found_to and not one.merged_by]
        chosen = {*merged_head.run([(one.number, one.size) for one in live])}
        if chosen:
            found = self._good_heads([one for one in live if one.number in chosen])
            if merged_head.is_worth_it(len(found)):
                came, went, sealed = merged_head.merged(found)
                if not split_head.is_within(sealed):
                    return
                self._put_this_head(sealed, came=came, went=went, merges=found[0].open.number)

    def _good_heads(self, live: Sequence[SentHead]) -> list[Head]:
        """Return the heads behind the last one that is not there as it was put: that one stays."""
        found: list[Head] = []
        for one in reversed(live):
            try:
                found.append(self._read_head(one))
            except SecurityError as error:
                self.bad_head = (one.number, error)
                break
        return found[::-1]

    def _read_head(self, one: SentHead) -> Head:
        keeper = self.settings.keeper
        key = keeper_heads.key_of(keeper, one.number)
        version = Version(key, one.version, one.size)
        which = FoundHead(keeper, one.number, version)
        return keeper_heads.read(self.bucket, which, self.settings.keys.heads)

    def _told(self) -> tuple[tuple[SentCapture, ...], tuple[LedgerPart, ...]]:
        """Return what can be told now: that whose contents are all in packs that were put."""
        settled = self._filled - bool(self._on_the_way)
        captures = tuple(one.told for one in self._waiting if one.packs <= settled)
        ledgers = tuple(one for one in self._ledgers if self.sent.has(one.digest))
        self._waiting = [one for one in self._waiting if one.packs > settled]
        self._ledgers = [one for one in self._ledgers if one not in ledgers]
        return captures, ledgers

    def close(self) -> None:
        """Give up the packs in the making and on the way; what was put stays."""
        self.sender.close()
        self.pool.shutdown(cancel_futures=True)
        if self._writer is not None:
            self._writer.close()
