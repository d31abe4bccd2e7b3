"""Gets contents out of packs: in the order in which they are stored, neighbours in one request."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import SecurityError, VerificationError
from holdstill.offsite import keeper_heads, pack_format
from holdstill.offsite.bucket import (
    FailingObjectError,
    MissingObjectError,
    RefusedError,
    Version,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.offsite.catalogue import Catalogue, Place
    from holdstill.offsite.recovery_key import RecoveryKey

GAP = 512 << 10
"""Bytes between two contents that are fetched with them: cheaper than one more request."""
RUN = 8 << 20
"""Most bytes of one request, unless one content has more, which is read as it arrives: so that
memory stays flat."""


class _Run(NamedTuple):
    """Contents of one pack that are fetched in one request."""

    pack: str
    places: Sequence[Place]

    @property
    def first(self) -> int:
        return self.places[0].row.offset

    @property
    def end(self) -> int:
        return max(place.row.offset + place.row.length for place in self.places)


class Fetcher:
    """Fetches contents by their digests, and checks them."""

    def __init__(self, catalogue: Catalogue, key: RecoveryKey) -> None:
        self._catalogue, self._key = catalogue, key
        self._opened: dict[bytes, bytes] = {}
        self._unread: dict[str, str] = {}
        self._failing: set[Version] = set()
        self._lied: set[tuple[str, bytes]] = set()

    @property
    def is_failing(self) -> bool:
        """Whether the server failed at a pack that was asked for."""
        return bool(self._failing)

    def contents(self, digests: Iterable[bytes], folder: Path) -> None:
        """Put contents into a folder, each under its digest.

        What is there when one fails was checked.

        Raises:
            VerificationError: one is not there any more, or not as it was sent.
            LinkError: the bucket cannot be read.
        """
        wanted: dict[bytes, list[Place]] = {}
        for digest in digests:
            wanted[digest] = [*self._in_turn(self._catalogue.places(digest))]
            if not wanted[digest]:
                raise _lacking(digest)
        for run in _runs(places[0] for places in wanted.values()):
            self._fetch_run(run, wanted, folder)

    def _fetch_run(self, run: _Run, wanted: dict[bytes, list[Place]], folder: Path) -> None:
        versions = self._catalogue.versions(run.pack)
        if run.end - run.first > RUN:
            (place,) = run.places  # one that is larger has a run to itself
            if not self._tried(place, *versions[0], folder):
                self._search(place, wanted[place.row.digest], folder)
            return
        data = self._bytes(run.pack, *versions[0], run.first, run.end)
        for place in run.places:
            begin = place.row.offset - run.first
            piece = data[begin : begin + place.row.length]
            if not self._write(place, piece, folder):
                self._search(place, wanted[place.row.digest], folder)

    def _search(self, tried: Place, places: Sequence[Place], folder: Path) -> None:
        """Try all other versions of a pack, and all other packs that have a content.

        A pack that was told of and has something else comes last from then on: whoever has had
        the keeper's keys can tell of millions of places in one pack of junk.
        """
        self._lied.add(_pack_of(tried))
        for place in self._in_turn(places):
            for number, version in enumerate(self._catalogue.versions(place.pack)):
                if place == tried and number == 0:
                    continue
                if self._tried(place, *version, folder):
                    return
            self._lied.add(_pack_of(place))
        why = f": {self._unread[tried.pack]}" if tried.pack in self._unread else ""
        raise VerificationError(
            f"content {tried.row.digest.hex()} is not as it was sent, in pack {tried.pack}{why}",
            hint="`holdstill offsite verify` names what is damaged there; other captures may have "
            "the files, and the keeper, if it is there, may still have this content",
        )

    def _in_turn(self, places: Sequence[Place]) -> Iterator[Place]:
        """Yield places, last those in packs that have lied before it is their turn."""
        later: list[Place] = []
        for place in places:
            if _pack_of(place) in self._lied:
                later.append(place)
            else:
                yield place
        yield from later

    def _tried(self, place: Place, version: str, size: int, folder: Path) -> bool:
        """Write a content, if it is in this version of a pack; a large one as it arrives."""
        row = place.row
        if row.length <= RUN:
            data = self._bytes(place.pack, version, size, row.offset, row.offset + row.length)
            return self._write(place, data, folder)
        chunks = self._chunks(place.pack, version, size, row.offset, row.offset + row.length)
        return self._write_parts(place, self._streamed(place, chunks), folder)

    def _streamed(self, place: Place, chunks: Iterator[bytes]) -> Iterator[bytes]:
        yield from pack_format.open_streamed(chunks, place.row, self._pack_key(place.sealed_key))

    def _bytes(self, pack: str, version: str, size: int, first: int, end: int) -> bytes:
        """Return bytes of a version of a pack; fewer where they cannot be read."""
        return b"".join(self._chunks(pack, version, size, first, end))

    def _chunks(self, pack: str, version: str, size: int, first: int, end: int) -> Iterator[bytes]:
        if end > size:
            return  # it is shorter than the pack that was told of
        key = keeper_heads.pack_key(pack)
        found = Version(key, version, size)
        if found in self._failing:
            return  # each time that it is asked for takes as long as the first
        try:
            yield from self._catalogue.bucket.chunks(found, first=first, length=end - first)
        except (MissingObjectError, RefusedError) as error:
            self._unread[pack] = str(error)
            if isinstance(error, FailingObjectError):
                self._failing.add(found)

    def _write(self, place: Place, sealed: bytes, folder: Path) -> bool:
        """Write a content, if these bytes of a pack are it."""
        return self._write_parts(place, self._opened_parts(place, sealed), folder)

    def _opened_parts(self, place: Place, sealed: bytes) -> Iterator[bytes]:
        yield from pack_format.open_content(sealed, place.row, self._pack_key(place.sealed_key))

    def _write_parts(self, place: Place, parts: Iterator[bytes], folder: Path) -> bool:
        target = folder / place.row.digest.hex()
        draft = target.with_suffix(".part")
        total = hashlib.sha256()
        try:
            with draft.open("wb") as file:
                for part in parts:
                    total.update(part)
                    file.write(part)
            if total.digest() != place.row.digest:
                return False
            draft.rename(target)
        except SecurityError:
            return False
        finally:
            draft.unlink(missing_ok=True)
        return True

    def _pack_key(self, sealed: bytes) -> bytes:
        if sealed not in self._opened:
            self._opened[sealed] = self._key.unseal(sealed)
        return self._opened[sealed]

    def document(self, digest: bytes, folder: Path) -> bytes:
        """Return the bytes of a small content.

        Raises:
            VerificationError, LinkError: as `contents`.
        """
        self.contents([digest], folder)
        path = folder / digest.hex()
        data = path.read_bytes()
        path.unlink()
        return data


def _runs(places: Iterable[Place]) -> Iterator[_Run]:
    """Yield places as they lie in their packs, neighbours together."""
    held: list[Place] = []
    for place in sorted(places, key=lambda one: (one.pack, one.row.offset)):
        if held and not _is_near(held, place):
            yield _Run(held[0].pack, held)
            held = []
        held.append(place)
    if held:
        yield _Run(held[0].pack, held)


def _is_near(held: list[Place], place: Place) -> bool:
    first, last = held[0].row, held[-1].row
    end = place.row.offset + place.row.length
    return (
        held[0].pack == place.pack
        and first.length <= RUN
        and place.row.offset - (last.offset + last.length) <= GAP
        and end - first.offset <= RUN
    )


def _pack_of(place: Place) -> tuple[str, bytes]:
    return place.pack, place.sealed_key


def _lacking(digest: bytes) -> VerificationError:
    return VerificationError(
        f"content {digest.hex()} is in no pack that is there",
        hint="`holdstill offsite verify` names the packs that are missing",
    )
