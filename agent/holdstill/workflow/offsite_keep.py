"""Keeps what is needed off-site: locks are lengthened, and what is lost there is sent again."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import HoldstillError, LinkError, VerificationError
from holdstill.keeper import account_captures, references
from holdstill.model.sizes import counted
from holdstill.offsite import keep_locked
from holdstill.offsite.bucket import FailingObjectError, MissingObjectError, RefusedError
from holdstill.offsite.keeper_heads import UnreadHeadError
from holdstill.workflow import each_board, explain, offsite_again
from holdstill.workflow.offsite_again import Missing

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from holdstill.keeper.store import Store
    from holdstill.offsite.keep_locked import PackAgain
    from holdstill.offsite.upload import Uploader
    from holdstill.workflow.each_board import BoardTrouble


_NAMED = 5
"""Captures that a trouble names, of those that a lost pack has cost, and locks."""


class Kept(NamedTuple):
    """What came of it.

    Attributes:
        extended: how many locks were lengthened.
        troubles: what is lost, and cannot be sent again.
        missing: contents that captures here need, and that are in no pack.
    """

    extended: int
    troubles: tuple[BoardTrouble, ...]
    missing: frozenset[bytes]


def keep(store: Store, uploader: Uploader) -> Kept:
    """Lengthen locks, and pack again what has to be.

    Raises:
        LinkError: the bucket cannot be reached.
    """
    # As for garbage: what cannot be read may need anything.
    is_sure = not account_captures.bring_up_to_date(store)
    with references.opened(store) as known:
        missing = Missing(known, uploader.sent)
        kept = keep_locked.keep(
            uploader.bucket, uploader.sent, uploader.locks, missing.needed,
            keeper=uploader.settings.keeper, is_sure=is_sure,
        )  # fmt: skip
    extended = kept.extended
    troubles = [_missing_head(number) for number in kept.missing_heads]
    refused = list(kept.refused)
    for again in kept.again:
        try:
            if not again.is_lost:
                extended += _pack_anew(store, uploader, again)
                continue
        except RefusedError as error:
            refused.append(error)
            continue
        except MissingObjectError:
            uploader.sent.note_lost([again.pack.name])
        troubles += _mend(store, uploader, again)
    if refused:
        troubles.append(_refused(refused))
    return Kept(extended, tuple(troubles), missing.found())


def _pack_anew(store: Store, uploader: Uploader, again: PackAgain) -> int:
    """Pack what is alive of a pack that is mostly dead, or lock that; return whether it was.

    Raises:
        MissingObjectError, RefusedError: it can be packed anew as little as locked.
    """
    try:
        uploader.send_again(again.digests, partial(offsite_again.open_again, store, uploader.sent))
    except LinkError:
        raise  # what was packed with it is not there
    except (HoldstillError, OSError):
        # Not all of it is here any more in good order: the pack has to stay.
        keep_locked.extend(uploader.sent, uploader.locks, again.pack)
        return 1
    return 0


def _mend(store: Store, uploader: Uploader, again: PackAgain) -> Iterator[BoardTrouble]:
    """Send again what was in a pack that is lost; yield what cannot be."""
    open_again = partial(offsite_again.open_again, store, uploader.sent)
    failed: list[HoldstillError] = []
    for digest in again.digests:
        try:
            uploader.send_again([digest], open_again)
        except FileNotFoundError:
            continue  # of a capture that is not here: it has left, or nobody keeps it any more
        except (HoldstillError, OSError) as error:
            known = explain.explained(error)
            if known is None or offsite_again.ends_the_run(error):
                raise
            failed.append(known)
    if failed:
        what = f"{counted(len(failed), 'content')} of it cannot be sent again: {failed[0]}"
        hint = "what was in it and is not here in good order is lost: see `holdstill verify`"
        yield _lost(again, what, hint)
    left = [one for one in uploader.sent.away() if again.pack.name in one.packs]
    if left:
        what = f"{counted(len(left), 'capture')} that left this store cannot be read without it: "
        what += ", ".join(f"{one.board}/{one.brief.name}" for one in left[:_NAMED])
        hint = (
            "nothing leaves this store until retention has given them up. `holdstill offsite "
            "verify` says whether more is missing; end what deletes in that bucket"
        )
        yield _lost(again, what, hint)


def _lost(again: PackAgain, what: str, hint: str) -> BoardTrouble:
    return _trouble(f"pack {again.pack.name}", f"it is lost off-site, and {what}", hint)


def _refused(refused: Sequence[RefusedError]) -> BoardTrouble:
    failing = [one for one in refused if isinstance(one, FailingObjectError)]
    may_not = (
        "may the access key still do that (PutObjectRetention)?"
        if len(failing) < len(refused)
        else f"{failing[0].hint}."
    )
    return _trouble(
        "locks",
        f"{counted(len(refused), 'lock')} could not be lengthened: "
        f"{'; '.join(map(str, refused[:_NAMED]))}",
        f"all others were; {may_not} What is not "
        "locked any more, who has that key can delete: `holdstill offsite verify` names it",
    )


def unmerged(uploader: Uploader, told: Iterable[BoardTrouble]) -> tuple[BoardTrouble, ...]:
    """Return the head that could not be merged as a trouble, unless that head is told of."""
    if uploader.bad_head is None:
        return ()
    number, why = uploader.bad_head
    problem = f"{why}; it and the heads before it stay beside those behind it"
    if isinstance(why, UnreadHeadError):  # it may well be good
        found = _trouble(f"head {number}", problem, why.hint)
    else:
        found = _bad_head(number, problem)
    return () if any(one.board == found.board for one in told) else (found,)


def _missing_head(number: int) -> BoardTrouble:
    return _bad_head(number, "it is not there any more, and nothing tells what it told")


def _bad_head(number: int, problem: str) -> BoardTrouble:
    return _trouble(
        f"head {number}",
        problem,
        "`holdstill offsite verify` says what is missing; `holdstill offsite setup --again` sends "
        "all that this store has anew, beside it",
    )


def _trouble(what: str, problem: str, hint: str) -> BoardTrouble:
    return each_board.trouble(what, VerificationError(problem, hint=hint))
