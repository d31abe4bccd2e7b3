"""What is done for every board of a store: each is judged alone, and the others' work goes on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from holdstill.errors import HoldstillError, UsageError, VerificationError
from holdstill.model import names
from holdstill.model.layout import Record

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

T = TypeVar("T")


class BoardTrouble(Record, frozen=True, kw_only=True):
    """Why one board could not be done.

    Attributes:
        exit_code: of that failure alone.
    """

    board: str
    problem: str
    hint: str
    exit_code: int


@dataclass(frozen=True)
class EachBoard(Generic[T]):
    """What came of every board: a result, or a trouble."""

    results: Mapping[BoardName, T]
    troubles: tuple[BoardTrouble, ...]

    @property
    def exit_code(self) -> int:
        """The worst of the troubles', 0 without any."""
        return max((trouble.exit_code for trouble in self.troubles), default=0)


def do(boards: Sequence[BoardName], deed: Callable[[BoardName], T]) -> EachBoard[T]:
    """Do something for each board; what fails for one is a trouble of that one."""
    results: dict[BoardName, T] = {}
    troubles: list[BoardTrouble] = []
    for board in boards:
        try:
            results[board] = deed(board)
        except HoldstillError as error:
            troubles.append(_trouble(board, error))
        except OSError as error:
            troubles.append(_trouble(board, VerificationError(f"it cannot be read: {error}")))
    return EachBoard(results=results, troubles=tuple(troubles))


def chosen(store: Store, board: str | None) -> tuple[BoardName, ...]:
    """Return one board, checked to be there, or all that have a folder in the store.

    Raises:
        UsageError: the store has no such board.
    """
    present = tuple(
        names.check_board(folder.name)
        for folder in store.board_folders()
        if names.is_board(folder.name)
    )
    if not board:
        return present
    if names.check_board(board) not in present:
        raise UsageError(
            f"board {board} is not enrolled", hint="see `holdstill list` for those that are"
        )
    return (names.check_board(board),)


def _trouble(board: BoardName, error: HoldstillError) -> BoardTrouble:
    return BoardTrouble(
        board=board, problem=str(error), hint=error.hint, exit_code=error.exit_code
    )
