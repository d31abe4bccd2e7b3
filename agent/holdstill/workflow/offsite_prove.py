"""Shows that a recovery key opens what keepers have sent, before anything relies on that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, LinkError, SecurityError, VerificationError
from holdstill.model import names
from holdstill.model.layout import Record
from holdstill.workflow import each_board

if TYPE_CHECKING:
    from holdstill.offsite.head import SentCapture
    from holdstill.offsite.recovery_key import RecoveryKey
    from holdstill.workflow.each_board import BoardTrouble
    from holdstill.workflow.offsite_library import OffsiteLibrary


class Proof(Record, frozen=True, kw_only=True):
    """What was opened of one keeper.

    Attributes:
        keeper: whose copy.
        packs: whose keys the recovery key opens: all that the keeper's heads tell of and that are
            there.
        lost: packs that they tell of and that are not.
        capture: BOARD/CAPTURE whose documents were opened, the newest one.
        proved: what the keeper's settings need.
    """

    keeper: str
    packs: int
    lost: tuple[str, ...]
    capture: str
    proved: str


def prove(
    library: OffsiteLibrary, key: RecoveryKey
) -> tuple[tuple[Proof, ...], tuple[BoardTrouble, ...]]:
    """Open something of every keeper; return what was, and of which keepers nothing could be.

    Raises:
        LinkError: the copy cannot be reached, or the server fails at a head: nobody knows then
            what that tells of.
    """
    if library.catalogue.failing:
        raise LinkError(
            f"nothing is proved: {library.catalogue.failing[0]}",
            hint="run this again when the server hands it out",
        )
    proofs: list[Proof] = []
    troubles: list[BoardTrouble] = []
    for keeper in sorted(library.catalogue.heads):
        try:
            proofs.append(_prove(library, key, keeper))
        except LinkError:
            raise
        except HoldstillError as error:
            troubles.append(each_board.trouble(f"keeper {keeper}", error))
    return tuple(proofs), tuple(troubles)


def _prove(library: OffsiteLibrary, key: RecoveryKey, keeper: str) -> Proof:
    packs = library.catalogue.packs_of(keeper)
    lost = packs & library.catalogue.lost
    packs -= lost
    for name in sorted(packs):
        if not any(_opens(key, sealed) for sealed in library.catalogue.sealed_keys(name)):
            raise SecurityError(
                f"the key of pack {name} was not sealed for this recovery key",
                hint="that keeper seals for another one: let nothing leave it; `holdstill offsite "
                "setup --again` there, with the right one",
            )
    newest = _newest(library, keeper)
    *_, doubts = library.documents(names.check_board(newest.board), newest.brief.name)
    if doubts:
        raise VerificationError(
            f"{newest.board}/{newest.brief.name}: {'; '.join(doubts)}",
            hint="let nothing leave that keeper before `holdstill verify` there is content",
        )
    return Proof(
        keeper=keeper, packs=len(packs), lost=tuple(sorted(lost)),
        capture=f"{newest.board}/{newest.brief.name}", proved=key.of_keeper.proof(keeper),
    )  # fmt: skip


def _opens(key: RecoveryKey, sealed: bytes) -> bool:
    try:
        key.unseal(sealed)
    except SecurityError:
        return False
    return True


def _age(sent: SentCapture) -> tuple[str, int]:
    return sent.brief.arrived_at, sent.brief.seq


def _newest(library: OffsiteLibrary, keeper: str) -> SentCapture:
    for put in reversed(library.catalogue.heads[keeper]):
        if put.head.sealed.captures:
            return max(put.head.sealed.captures, key=_age)
    raise VerificationError(
        "it has not sent a capture yet, so there is nothing to open",
        hint="run `holdstill offsite upload` there first",
    )
