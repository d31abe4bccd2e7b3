"""A store with boards that sign what they capture, for tests that run the commands themselves."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.keeper import enrolment, store
from holdstill.model import names
from holdstill.records import signature
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import keeping, keys
from support.keeping import Board, FakeClock, QuickDisk

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from support.keys import KeyPair

MACHINE = LocalRunner()


@dataclass
class SignedStore:
    """A store, and the keys of its boards."""

    folder: Path
    store: Store = field(init=False)
    keys: dict[str, KeyPair] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.store = store.create(self.folder / "store", clock=SystemClock(), disk=QuickDisk())

    @property
    def root(self) -> Path:
        """The store's directory."""
        return self.store.root

    def enrol(self, *boards: str) -> None:
        """Let boards in, each with a key of its own."""
        for board in boards:
            self.enrol_with(board, keys.make_key(self.folder / board))

    def enrol_with(self, board: str, pair: KeyPair) -> None:
        """Let a board in that has a key, as one does that has moved here."""
        self.keys[board] = pair
        name = names.check_board(board)
        enrolment.enrol(self.store, name, pair.public, clock=SystemClock(), limits=None)

    def capture(
        self,
        board: str,
        files: dict[bytes, bytes],
        *,
        clock: FakeClock,
        gap: bytes = keeping.GAP,
        raws: dict[int, bytes] | None = None,
    ) -> str:
        """Take a capture of a board; return its name."""
        key = self.keys[board].private
        return capture(self.store, board, key, files, clock=clock, gap=gap, raws=raws)


def capture(
    held: Store,
    board: str,
    key: Path,
    files: dict[bytes, bytes],
    *,
    clock: FakeClock,
    gap: bytes = keeping.GAP,
    raws: dict[int, bytes] | None = None,
) -> str:
    """Take a capture that is signed with a private key; return its name."""
    name = names.check_board(board)
    keeper = keeping.keeper_of(held, clock=clock, board=name, runner=MACHINE)
    try:
        sender: Board[LocalKeeper] = Board(
            keeper, name=name, clock=clock, files=files, gap=gap, raws=raws or {},
            sign=lambda data: signature.sign(data, key, MACHINE),
        )  # fmt: skip
        return sender.capture().name
    finally:
        keeper.close()
