"""What is done for every board of a store: each is judged alone, and the others' work goes on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from holdstill import errors
from holdstill.errors import (
    DocumentError,
    HoldstillError,
    LinkError,
    UsageError,
    VerificationError,
)
from holdstill.keeper import account_captures, enrolment
from holdstill.model import names
from holdstill.model.foreign_text import printable
from holdstill.model.layout import Record
from holdstill.workflow import explain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

T = TypeVar("T")


class BoardTrouble(Record, frozen=True, kw_only=True):
    """Why one board could not be done.

    Attributes:
        board: its name, or that of what is in boards/ and cannot be one.
        problem: what is wrong, and where, in one line.
        hint: what to do next.
        exit_code: of that failure alone.
    """

    board: str
    problem: str
    hint: str
    exit_code: int

    @property
    def sentence(self) -> str:
        """Say all of it in one line."""
        return f"{self.board}: {self.problem}; what to do: {self.hint}"


_NAMED = 10
"""How many boards are named to somebody who asked for one that is not there."""


@dataclass(frozen=True)
class EachBoard(Generic[T]):
    """What came of every board: a result, or a trouble."""

    results: Mapping[BoardName, T]
    troubles: tuple[BoardTrouble, ...]

    @property
    def exit_code(self) -> int:
        """The worst of the troubles', 0 without any."""
        return errors.worst(trouble.exit_code for trouble in self.troubles)


def do(
    store: Store, board: str | None, deed: Callable[[BoardName], T], *, is_waiting: bool = True
) -> EachBoard[T]:
    """Do something for one board, or for all; what fails for one is a trouble of that one.

    All are what is in the store's boards/, or was once and is gone: that, a folder without an
    enrolment, or one of a name that no board can have, is a trouble, for somebody may rely on it.
    So are contents of boards that nothing is known of. is_waiting: as for
    `account_captures.unlisted`.

    Raises:
        UsageError: the board that is named is not there.
    """
    unknown = None if board else account_captures.nobodys_contents(store, is_waiting=is_waiting)
    of_store = () if unknown is None else (trouble("boards/", unknown),)
    folders = {each.name: each for each in _chosen(store, board, is_waiting=is_waiting)}
    found = of_named(folders, lambda name: deed(_enrolled(folders[name])))
    return EachBoard(results=found.results, troubles=(*of_store, *found.troubles))


def of_named(boards: Iterable[str], deed: Callable[[str], T]) -> EachBoard[T]:
    """Do something for each of these boards; what fails for one is a trouble of that one.

    Raises:
        LinkError: the keeper cannot be reached, which is no trouble of a board.
    """
    results: dict[BoardName, T] = {}
    troubles: list[BoardTrouble] = []
    for board in boards:
        try:
            done = deed(board)
        except Exception as error:
            known = explain.explained(error)
            if known is None or isinstance(known, LinkError):
                raise
            troubles.append(trouble(board, known))
        else:
            results[names.check_board(board)] = done
    return EachBoard(results=results, troubles=tuple(troubles))


def _chosen(store: Store, board: str | None, *, is_waiting: bool) -> tuple[Path, ...]:
    gone = sorted(account_captures.lost_boards(store, is_waiting=is_waiting))
    lost = (store.board_folder(board) for board in gone)
    present = (*store.board_folders(), *lost)
    if not board:
        return present
    name = names.check_board(board)
    chosen = tuple(folder for folder in present if folder.name == name)
    if not chosen:
        raise UsageError(
            f"board {board} is not enrolled; those that are: {_some(present)}",
            hint="`holdstill list` lists them with their captures; `holdstill keeper enrol` adds "
            "one",
        )
    return chosen


def _some(folders: tuple[Path, ...]) -> str:
    """Return the first names of boards, for somebody who mistyped one."""
    names_of = sorted(folder.name for folder in folders)
    more = f" and {len(names_of) - _NAMED} more" if len(names_of) > _NAMED else ""
    return (", ".join(names_of[:_NAMED]) + more) or "none"


def _enrolled(folder: Path) -> BoardName:
    """Return the board that a folder is of.

    Raises:
        VerificationError: it is of none.
    """
    if not names.is_board(folder.name):
        raise VerificationError(
            f"{folder} is the folder of no board",
            hint="move it out of boards/; if it was a board's, give it back its name",
        )
    if not folder.exists():
        raise enrolment.lost(folder)
    if not (folder / "enrolment.yaml").exists():
        raise enrolment.gone(folder / "enrolment.yaml")
    return names.check_board(folder.name)


def trouble(board: str, error: HoldstillError) -> BoardTrouble:
    """Return an error as a trouble of one board."""
    is_document = isinstance(error, DocumentError)  # in the store, no settings of the caller's
    return BoardTrouble(
        board=printable(board),
        problem=" ".join(str(error).split()),
        hint=error.hint or "mend that file, or put a copy of it back",
        exit_code=VerificationError.exit_code if is_document else error.exit_code,
    )
