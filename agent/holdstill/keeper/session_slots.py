"""How many sessions of one board the keeper answers at a time.

Each session is a process that may take tens of megabytes: without a limit, one key could take a
small keeper's memory from all boards; and several keys together could, so that each board has SURE
sessions only while memory is short. A slot is a locked file in the board's own folder
(flock(2)): it is free again when its process ends, however it ends, and no board can take another
one's. It is taken before what answers a board is imported.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import signal
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import BusyError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.model.names import BoardName

SLOTS = 12
"""Sessions of one board at a time.

A run needs three: its control channel, and two rsyncs (workflow.delivery); two more while rsyncs
that have ended at the board are still looked at here. A run that was cut off a moment ago may hold
as many until the keeper notices. The last two are for somebody who looks at the captures
meanwhile: again a control channel and an rsync.
"""
SURE = 3
"""Sessions of one board while the keeper is short of memory: as many as a run needs."""
SHORT = 8
"""Memory is short when less than this part of it is available."""
_MEMINFO = Path("/proc/meminfo")
_NO_SLOTS = frozenset({errno.ENOENT, errno.ENOTDIR, errno.EROFS, errno.ENOSPC, errno.EDQUOT})
_NO_FILE = frozenset({errno.ELOOP, errno.EISDIR, errno.ENXIO, errno.EACCES})
NAMES = tuple(f"session-{number}.lock" for number in range(SLOTS))
_PROC = Path("/proc")
_BUSY = frozenset({errno.EWOULDBLOCK, errno.EACCES})


def is_memory_short(meminfo: str) -> bool:
    """Return whether memory is short by /proc/meminfo (proc(5)); not where it says nothing."""
    found = {m[1]: int(m[2]) for m in re.finditer(r"(?m)^(\w+): +(\d+) kB$", meminfo)}
    total = found.get("MemTotal", 0)
    return found.get("MemAvailable", total) * SHORT < total


def _is_short_here() -> bool:
    with suppress(OSError):
        return is_memory_short(_MEMINFO.read_text(encoding="ascii"))
    return False


def be_first_to_go() -> None:
    """Have the kernel end this process before others when memory runs out (proc(5))."""
    with suppress(OSError):
        Path(_PROC, "self/oom_score_adj").write_text("500", encoding="ascii")


@contextmanager
def held(
    root: Path, board: BoardName, *, is_short: Callable[[], bool] = _is_short_here
) -> Iterator[None]:
    """Hold one of the board's slots in the store at root for the block.

    The program that this process becomes meanwhile (execve(2)) holds it on. Where the store or
    the board is not there, or all is read-only or full and no slot was ever made, there is none to
    hold: that is told by what comes next.

    Raises:
        BusyError: all are taken, or as many as a board may have while memory is short.
    """
    with held_in(
        root / "boards" / board,
        f"board {board}",
        f"`ps -ef | grep -- '--board {board}'`; should they not be yours, `holdstill keeper "
        f"retire {root} {board}` shuts the key out",
        is_short=is_short,
    ):
        yield


@contextmanager
def held_in(
    folder: Path, who: str, look: str, *, is_short: Callable[[], bool] = _is_short_here
) -> Iterator[None]:
    """Hold one of the slots in a folder, as `held` does.

    Args:
        folder: of a board, or of a reader.
        who: whose it is, in words.
        look: a command that shows what holds them, and what to do.
        is_short: whether memory is short.

    Raises:
        BusyError: as `held`.
    """
    slot = _taken(folder, who, look, is_short)
    try:
        yield
    finally:
        if slot is not None:
            os.close(slot)


def end_all(root: Path, board: BoardName) -> int:
    """End all sessions of a board that is let in no more; return how many processes there were."""
    return end_all_in(root / "boards" / board)


def end_all_in(folder: Path) -> int:
    """End all sessions that hold a slot of a folder: calls, and rsyncs that go on.

    They are killed, which a session has to survive anyway. One that waits for a word, or for its
    answer to be read, could go on for hours, and keep out whoever is let in instead.

    Returns how many processes there were.
    """
    slots = set()
    for name in NAMES:
        with suppress(OSError):
            slots.add(_inode(folder / name))
    pids = [int(entry.name) for entry in _PROC.iterdir() if entry.name.isdigit()]
    return sum(_is_ended(pid, slots) for pid in pids if pid != os.getpid())


def _is_ended(pid: int, slots: set[tuple[int, int]]) -> bool:
    """Kill a process of this user that has a slot open (proc_pid_fd(5))."""
    try:
        handle = os.pidfd_open(pid)
    except OSError:
        return False  # it has ended
    try:
        for entry in Path(_PROC, str(pid), "fd").iterdir():
            with suppress(FileNotFoundError):  # closed meanwhile
                if _inode(entry) in slots:
                    signal.pidfd_send_signal(handle, signal.SIGKILL)
                    return True
    except OSError:
        pass  # somebody else's, or it has ended
    finally:
        os.close(handle)
    return False


def _inode(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino


def _taken(folder: Path, who: str, look: str, is_short: Callable[[], bool]) -> int | None:
    odd: OSError | None = None
    is_any_taken = False
    for number, name in enumerate(NAMES):
        if number == SURE and is_any_taken and is_short():
            raise BusyError(
                f"the keeper is short of memory, and {who} has {SURE} sessions there",
                hint="try again later; if this stays so, `free -m` and `ps -ef | grep 'keeper "
                "serve'` at the keeper show what takes its memory",
            )
        try:
            handle = _opened(folder / name)
        except OSError as error:
            if error.errno in _NO_SLOTS:
                return None
            if error.errno not in _NO_FILE:
                raise
            odd = error  # something else is in its place: `verify` names it
            continue
        if _is_locked(handle):
            return handle
        is_any_taken = True
    if odd is not None and not is_any_taken:
        raise odd
    raise BusyError(
        f"{who} has {SLOTS} sessions at the keeper already, as many as it may have",
        hint="try again later: a session whose connection died ends within three minutes. If this "
        f"stays so, see at the keeper what they are: {look}",
    )


def _opened(path: Path) -> int:
    flags = os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK
    try:
        return os.open(path, os.O_RDWR | flags, 0o600)  # NFS wants that for a lock (flock(2))
    except OSError as error:
        if error.errno != errno.EROFS:
            raise
    # A store on a file system that is read-only can still be read.
    return os.open(path, os.O_RDONLY | flags, 0o600)


def _is_locked(handle: int) -> bool:
    """Lock an open slot for this process and what it becomes; close it when it is taken."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        if error.errno not in _BUSY:
            raise
        return False
    os.set_inheritable(handle, True)  # noqa: FBT003  an rsync that this process becomes keeps it
    return True
