"""Makes the notes of what was sent again from the heads that are there: they were lost.

Who has once had this keeper's keys may have put heads among them. So what one tells counts as far
as it takes nothing away from what was told before: a pack went if it is not there; a capture that
has left for there is given up by retention alone; nobody's rows, lines or documents take the place
of earlier ones; and no head is let go because another one says that it tells all of it again.

And what only such heads say is in a pack nobody has sent, as far as this keeper can know: it stays
there, and what captures here need of it is sent anew.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import SecurityError
from holdstill.offsite import keeper_heads
from holdstill.offsite.keeper_heads import UnreadHeadError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.head import Head, LedgerPart
    from holdstill.offsite.keeper_heads import FoundHead
    from holdstill.offsite.sent import Sent, SentHead


_MOST = 100_000_000
"""Number that no keeper's head has: 96 a day for 2,800 years. What goes on from a higher one would
come to the end of the numbers that keys have."""


def make(bucket: Bucket, sent: Sent, found: Sequence[FoundHead], key: bytes) -> list[str]:
    """Note what heads of this keeper tell; return what is to be said about it.

    Raises:
        SecurityError: a head does not follow the others; UnreadHeadError: or may, unread.
        LinkError: the bucket cannot be read.
    """
    warnings: list[str] = []
    making = _Making(sent, _packs_there(bucket) if found else {})
    taken = strange = 0
    unread: dict[int, UnreadHeadError] = {}
    for which in found:
        try:
            got = keeper_heads.read(bucket, which, key)
        except UnreadHeadError as error:
            unread[which.number] = error
            warnings.append(str(error))
            continue
        except SecurityError as error:
            warnings.append(str(error))
            continue
        if _follows(got, sent.last_head()):
            making.take(got, which)
            taken += 1
        elif got.open.number > sent.last_head().number:
            strange = got.open.number
    last = sent.last_head().number
    if last + 1 in unread:
        raise unread[last + 1]  # it may be ours, and what is put beside it be read by nobody later
    if strange > last:
        raise SecurityError(
            f"{bucket.address}: head {strange} there does not follow head {last} of this keeper",
            hint="nothing was sent. `holdstill offsite verify` names what is missing or altered "
            "there. What is there stays; `holdstill offsite setup --again` goes on beside it, as "
            "a keeper of another name",
        )
    if taken:
        warnings.append(
            f"the notes of what was sent were not there: they were made again from {taken} heads "
            f"at {bucket.address}, also from any that somebody else has put there with this "
            "keeper's keys. This keeper cannot look into packs, so what these heads tell does not "
            "count as sent: it stays there, and what captures here need is sent anew; before that "
            "none of them leaves this store (`keep_here`)"
        )
    if making.lost:
        warnings.append(
            f"{making.lost} packs that heads tell of are gone: what the captures here need of "
            "them is sent again; `holdstill offsite verify` names what else is missing"
        )
    return warnings


def _packs_there(bucket: Bucket) -> dict[str, str]:
    """Return the version of each pack that was there first."""
    there: dict[str, str] = {}
    for version in bucket.versions("packs/"):
        there.setdefault(version.key.removeprefix("packs/"), version.id)
    return there


def _follows(got: Head, last: SentHead) -> bool:
    """Whether a head goes on from the last one that is noted; those that it merges may be gone."""
    if got.open.number == last.number + 1:
        return got.open.previous == last.digest
    is_further = last.number < got.open.number <= _MOST
    return is_further and 0 < got.open.merges <= last.number + 1


@dataclass
class _Making:
    """Notes in the making.

    Attributes:
        there: the version of each pack.
        lost: packs that are gone, and that no head has told to go.
    """

    sent: Sent
    there: dict[str, str]
    _gone: set[str] = field(default_factory=set)
    _ends: dict[str, int] = field(default_factory=dict)

    @property
    def lost(self) -> int:
        return len(self._gone)

    def take(self, got: Head, which: FoundHead) -> None:
        """Note what can be believed of a head."""
        came = {pack.name for pack in got.open.came}
        self._gone |= came - self.there.keys()
        self._gone -= {*got.open.went}
        left = self._left() if got.sealed.released else frozenset()
        told = got._replace(
            open=msgspec.structs.replace(
                got.open, merges=0,
                went=tuple(name for name in got.open.went if name not in self.there),
            ),
            sealed=msgspec.structs.replace(
                got.sealed, ledgers=tuple(filter(self._is_next, got.sealed.ledgers)),
                released=tuple(one for one in got.sealed.released if one not in left),
            ),
        )  # fmt: skip
        packs = {name: self.there[name] for name in came & self.there.keys()}
        self.sent.take(
            told, version=which.version.id, size=which.version.size, packs=packs, is_found=True
        )

    def _left(self) -> frozenset[tuple[str, str]]:
        """Return the captures that are there alone, and whole."""
        return frozenset(
            (one.board, one.brief.name)
            for one in self.sent.away()
            if all(name in self.there for name in one.packs)
        )

    def _is_next(self, part: LedgerPart) -> bool:
        """Whether lines go on from those that are noted; if so, they are."""
        if part.offset != self._end(part.board):
            return False
        self._ends[part.board] = part.offset + part.length
        return True

    def _end(self, board: str) -> int:
        if board not in self._ends:
            parts = self.sent.ledger(board)
            self._ends[board] = parts[-1].offset + parts[-1].length if parts else 0
        return self._ends[board]
