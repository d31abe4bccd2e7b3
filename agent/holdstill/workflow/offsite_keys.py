"""Which keys of a board are relied on, in an off-site copy: those of its first enrolment there.

An enrolment is a document like others there, which who has once had the keeper's keys can add to.
So a key that only a later one has, as after `keeper enrol --replace-key`, counts when the owner
names its fingerprint; and so does one that another keeper there does not know of this board.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import DocumentError, VerificationError
from holdstill.keeper import enrolment
from holdstill.records import signature

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator

    from holdstill.keeper.enrolment import Enrolment
    from holdstill.model.names import BoardName
    from holdstill.offsite.catalogue import Catalogue, ToldCapture


class KeysOfCapture(NamedTuple):
    """The keys that may have signed a capture, `type base64`.

    Attributes:
        relied_on: those of the board's first enrolments, and such as the owner accepts.
        others: those that only the enrolment beside the capture has.
    """

    relied_on: tuple[str, ...]
    others: tuple[str, ...]

    @property
    def doubt(self) -> str:
        """What is to be said of a capture that one of the others has signed."""
        found = ", ".join(map(signature.fingerprint, self.others))
        return (
            f"signed by a key that not all of the board's first captures there know ({found}). "
            "Compare it with what `ssh-keygen -l` prints of the board's key: if it is that, name "
            "it with --accept-key"
        )


class BoardKeys:
    """The enrolments of an off-site copy.

    Args:
        held: what is told there.
        document: fetches a document by its digest.
        accepted: fingerprints of keys that the owner accepts beside the first ones.
    """

    def __init__(
        self, held: Catalogue, document: Callable[[bytes], bytes], accepted: Collection[str]
    ) -> None:
        self._catalogue, self._document, self._accepted = held, document, accepted
        self._first: dict[BoardName, tuple[str, ...]] = {}
        self._read: dict[bytes, bytes | None] = {}

    def of(self, board: BoardName, enrolled: bytes) -> KeysOfCapture:
        """Return the keys that may have signed a capture with this enrolment beside it."""
        beside = _decoded(enrolled, board)
        keys = beside.every_key if beside is not None else ()
        relied_on = self._relied_on(board, keys)
        return KeysOfCapture(relied_on, tuple(key for key in keys if key not in relied_on))

    def _relied_on(self, board: BoardName, keys: Iterable[str]) -> tuple[str, ...]:
        first = self._first_of(board)
        more = (key for key in keys if signature.fingerprint(key) in self._accepted)
        return (*first, *(key for key in more if key not in first))

    def _first_of(self, board: BoardName) -> tuple[str, ...]:
        """Return the keys that the first enrolment of each keeper has."""
        if board not in self._first:
            told = self._told(board)
            firsts = (
                next(self._enrolments(board, (one for one in told if one.keeper == keeper)), None)
                for keeper in dict.fromkeys(one.keeper for one in told)
            )
            keys = [first[1].every_key for first in firsts if first is not None]
            self._first[board] = tuple(
                key for key in (keys[0] if keys else ()) if all(key in other for other in keys)
            )
        return self._first[board]

    def _told(self, board: BoardName) -> list[ToldCapture]:
        every = self._catalogue.captures.items()
        return [one for (of, _), told in every if of == board for one in told]

    def enrolment_of(self, board: BoardName) -> bytes:
        """Return the newest enrolment of a board all of whose keys are relied on.

        Raises:
            VerificationError: there is none.
        """
        there: dict[str, None] = {}
        for data, found in self._enrolments(board, reversed(self._told(board))):
            if {*found.every_key} <= {*self._relied_on(board, found.every_key)}:
                return data
            there |= dict.fromkeys(map(signature.fingerprint, found.every_key))
        raise VerificationError(
            f"no enrolment of {board} there has only keys that are relied on; the keys there: "
            f"{', '.join(there) or 'none'}",
            hint="name the board's key with --accept-key, as `ssh-keygen -l` prints it; "
            "`holdstill offsite verify` names the packs that are missing",
        )

    def _enrolments(
        self, board: BoardName, told: Iterable[ToldCapture]
    ) -> Iterator[tuple[bytes, Enrolment]]:
        """Yield the enrolments of captures, each once, that can be read."""
        seen = set()
        for one in told:
            digest = one.sent.documents[2]
            if digest in seen:
                continue
            seen.add(digest)
            data = self._bytes(digest)
            found = _decoded(data, board) if data is not None else None
            if data is not None and found is not None:
                yield data, found

    def _bytes(self, digest: bytes) -> bytes | None:
        if digest not in self._read:
            try:
                self._read[digest] = self._document(digest)
            except VerificationError:
                self._read[digest] = None
        return self._read[digest]


def _decoded(data: bytes, board: BoardName) -> Enrolment | None:
    try:
        found = enrolment.decode(data, f"enrolment of {board}")
    except DocumentError:
        return None
    return found if found.board == board else None
