"""One transfer from a board: an rsync of ours that can make regular files in one folder, watched.

Three walls, one behind the other: its arguments are ours, Landlock keeps it from making anything
but regular files, and the keeper looks at what arrives while it arrives and when it has.
"""

from __future__ import annotations

import os
import resource
import select
import signal
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.errors import BusyError, HoldstillError, SecurityError
from holdstill.keeper import incoming
from holdstill.keeper.ingest import SIZE_MAX
from holdstill.system import landlock, process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.keeper.account import Account
    from holdstill.keeper.forced_command import ReceiveRequest
    from holdstill.keeper.incoming import TransferFolder
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock

SYSTEM_READ = ("/usr", "/lib", "/lib64", "/bin", "/etc/ld.so.cache", "/etc/localtime", "/dev/null")
LOOK_EVERY = 0.5
"""Seconds between two looks at most; the nearer to a limit, the sooner the next one."""
LOOK_SOONEST = 0.01
BYTES_A_SECOND, INODES_A_SECOND = 2 << 30, 50_000
"""More than a transfer can bring: 0.7 GB/s and 10,000 files/s were measured into a page cache."""


def receive(
    store: Store,
    board: BoardName,
    wish: ReceiveRequest,
    *,
    account: Account,
    clock: Clock,
    is_confined: bool = True,
) -> int:
    """Run the rsync that writes into this board's running staging; return its exit code.

    Not confined, it stands as where the kernel has no Landlock.

    Raises:
        BusyError: no run of this name is alive.
        PreflightError: it brought more than it may; nothing that it staged is left.
        SecurityError: it made something that is no content.
    """
    process.require("rsync")
    lock = incoming.receiver_lock(store, board, wish.folder)
    staging = incoming.current(store, board)
    if staging is None or staging.run != wish.run or not incoming.is_running(store, board):
        os.close(lock)
        raise BusyError(f"run {wish.run} of board {board} is not under way")
    folder = staging.folders[wish.folder]
    watch = ArrivalMonitor(account, folder, board, is_followed=_followed(lock))
    watch.check()
    parent = os.getpid()
    pid = process.fork_child(lambda: _become_rsync(wish, folder.path, is_confined, parent))
    try:
        status = _attend(pid, watch)
        watch.look()
        account.check_not_overdrawn()
    except BusyError:  # the run is over, and all that it staged is gone; or it goes on elsewhere
        os.close(lock)
        raise
    except (HoldstillError, OSError):
        os.close(lock)
        # Other transfers of this board may write there, too; they are refused as well.
        with (
            suppress(BusyError, OSError),
            incoming.no_receiver(store, board, wish.folder, clock=clock),
        ):
            incoming.empty(store, folder.path)  # it gives back what it took
        raise
    return status


def _followed(lock: int) -> Callable[[], bool]:
    """Take the turn at a folder; return what tells whether another transfer came since.

    A board sends one batch at a time to a folder. A transfer whose line is dead, if it stayed,
    would keep the keeper from taking over what is there.
    """
    own = incoming.take_turn(lock)
    return lambda: incoming.turn(lock) != own


def _become_rsync(
    wish: ReceiveRequest,
    contents: Path,
    is_confined: bool,  # noqa: FBT001
    parent: int,
) -> None:
    os.setpgid(0, 0)
    landlock.die_with_parent(parent)
    resource.setrlimit(resource.RLIMIT_FSIZE, (SIZE_MAX, SIZE_MAX))
    if is_confined:
        landlock.restrict(read=SYSTEM_READ, write=[str(contents)])
    process.become(Command.of("rsync", "--server", *wish.options, ".", f"{contents}/"))


def _attend(pid: int, watch: ArrivalMonitor) -> int:
    """Wait for a transfer, and end it when it takes more than it may."""
    ended = os.pidfd_open(pid)
    try:
        while not select.select([ended], [], [], watch.patience())[0]:
            with _stopped(
                pid
            ):  # a look takes the longer the more there is; nothing comes meanwhile
                watch.check()
        return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    except (HoldstillError, OSError):
        with suppress(ProcessLookupError):  # it has no group of its own yet
            os.killpg(pid, signal.SIGKILL)  # rsync receives in two processes
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        raise
    finally:
        os.close(ended)


@contextmanager
def _stopped(group: int) -> Iterator[None]:
    """Let no process of a group run for the length of the block."""
    with suppress(ProcessLookupError):  # it is none yet, or none any more
        os.killpg(group, signal.SIGSTOP)
    try:
        yield
    finally:
        with suppress(ProcessLookupError):
            os.killpg(group, signal.SIGCONT)


class ArrivalMonitor:
    """Watches what one transfer brings.

    is_followed: whether another transfer has come after it.
    """

    def __init__(
        self,
        account: Account,
        folder: TransferFolder,
        board: BoardName,
        *,
        is_followed: Callable[[], bool] = lambda: False,
    ) -> None:
        self._account, self._folder, self._board = account, folder, board
        self._is_followed = is_followed
        self._inode = folder.path.stat().st_ino

    def check_is_there(self) -> None:
        """Refuse to go on writing where nobody looks any more.

        Raises:
            BusyError: the folder was given up, with the run or by another transfer's refusal; or
                another transfer writes to it now.
        """
        if self._is_followed():
            raise BusyError(f"board {self._board} goes on with this transfer in another one")
        with suppress(FileNotFoundError):
            if self._folder.path.stat().st_ino == self._inode:
                return
        raise BusyError(f"the run of board {self._board} that this transfer was for is over")

    def look(self) -> None:
        """Charge what has arrived.

        Raises:
            SecurityError: something that is no content has arrived; our boards send none, and
                who takes it away while it is written to loses sight of it.
            BusyError: as `check_is_there`.
        """
        self.check_is_there()
        arrived = self._account.look(self._folder)
        if arrived.strays:
            name = arrived.strays[0].name[:100]
            raise SecurityError(f"a transfer made {name!r}, which is no content of its own")

    def check(self) -> None:
        """Charge what has arrived, and refuse more than may.

        Raises:
            PreflightError: a limit is passed.
            SecurityError, BusyError: as `look`.
        """
        self.look()
        for allowance in self._account.allowances():
            if allowance.left < 0:
                raise self._account.refused(allowance)

    def patience(self) -> float:
        """Return the seconds in which no transfer can pass a limit, about."""
        bytes_left, inodes_left = self._account.left("bytes"), self._account.left("inodes")
        soon = min(bytes_left / BYTES_A_SECOND, inodes_left / INODES_A_SECOND)
        return min(LOOK_EVERY, max(LOOK_SOONEST, soon))
