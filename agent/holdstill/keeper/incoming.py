"""What is arriving from a board: the one place in the store that a board can write to.

A run has several folders for that: while the keeper takes over what is in one, the others are
filled.

Two kinds of locks, both of the kernel and so gone with their owner: `lock` is held by the one run
of a board; a folder's `receiving-N.lock` is shared by the rsync servers that write to it, and held
alone by the keeper while it ingests what they wrote, so that no file enters the store while a
process still has it open.
"""

from __future__ import annotations

import errno
import fcntl
import os
import secrets
import stat
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import BusyError, UsageError
from holdstill.model import names
from holdstill.model.names import RunId
from holdstill.model.protocol import FOLDERS
from holdstill.system import files
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName, Digest
    from holdstill.system.clocks import Clock

BASIS_LEAST = 16 << 10
"""Smaller files are sent whole: a copy of the old content would cost more than it saves."""
RECEIVING = tuple(f"receiving-{number}.lock" for number in range(FOLDERS))
"""The locks of these, in the board's folder."""
LOCK = "lock"
"""The run's, in the board's folder."""
BEGUN = "begun"
"""A file in a staging directory; its mtime is when the run began."""
TURN = 16
"""Bytes in a folder's lock: a sign of the transfer that came last, or of the keeper's own turn."""
LOCK_TRIES, LOOK = 60, 0.05
"""Who looks at a run lock, or tidies, holds it for a moment; seconds from one try to the next."""
RECEIVER_PATIENCE = 150.0
"""Seconds to wait for rsync servers to end: longer than their own patience with a dead peer."""
LEFTOVER_PATIENCE = 1.0
"""The same for a run that begins: what was cut off ends soon, and what goes on is left alone."""
BASIS_DATE = 1
"""Seconds since 1970: the date of a basis that rsync has not written to; ours have no --times."""
BASIS_SPARED = 3600.0
"""Seconds for which such a basis stays although nobody has used it: the run may go on."""
_LOCK_FLAGS = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
_BUSY = frozenset({errno.EWOULDBLOCK, errno.EACCES})


class TransferFolder(NamedTuple):
    """A folder that contents arrive in, named by their digests."""

    number: int
    path: Path


@dataclass(frozen=True)
class Staging:
    """What belongs to one run."""

    run: RunId
    folder: Path

    @property
    def folders(self) -> tuple[TransferFolder, ...]:
        """Where contents arrive."""
        return tuple(TransferFolder(n, self.folder / f"contents-{n}") for n in range(FOLDERS))


class RunLock:
    """The right to be a board's only run; given back when closed, or when the process ends."""

    def __init__(self, handle: int) -> None:
        self._handle: int | None = handle

    @contextmanager
    def held(self) -> Iterator[None]:
        """Give it back at the end of the block."""
        try:
            yield
        finally:
            self.release()

    def release(self) -> None:
        """Give it back; again is fine."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def take_lock(store: Store, board: BoardName, *, tries: int = LOCK_TRIES) -> RunLock:
    """Become the board's only run. Who only tidies does without patience: the run tidies, too.

    Raises:
        BusyError: another run is alive.
    """
    for attempt in range(tries):
        handle = _locked(store, board, fcntl.LOCK_EX)
        if handle is not None:
            return RunLock(handle)
        if attempt < tries - 1:  # somebody may just be looking
            SystemClock().sleep(LOOK)
    raise BusyError(
        f"another run of board {board} is active at the keeper",
        hint="wait for it to end; a run whose connection died is let go after three minutes",
    )


def is_running(store: Store, board: BoardName) -> bool:
    """Return whether a run of the board is alive."""
    handle = _locked(store, board, fcntl.LOCK_SH)  # so that two who look do not see each other
    if handle is None:
        return True
    os.close(handle)
    return False


def _locked(store: Store, board: BoardName, how: int) -> int | None:
    """Return the run lock, open and locked; None when somebody else has it."""
    path = store.board_folder(board) / LOCK
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(handle, how | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        if error.errno not in _BUSY:
            raise
        return None
    return handle


def current(store: Store, board: BoardName) -> Staging | None:
    """Return the board's newest staging, alive or left over; None when there is none."""
    found = _stagings(store, board)
    return found[0] if found else None


def _stagings(store: Store, board: BoardName) -> list[Staging]:
    folder = store.board_folder(board) / "incoming"
    found = []
    for item in folder.iterdir():
        try:
            found.append(Staging(names.check_run(item.name), item))
        except UsageError:  # nothing of ours: recovery removes it
            continue
    return sorted(found, key=lambda s: (s.folder.lstat().st_mtime_ns, s.run), reverse=True)


def begin_staging(store: Store, board: BoardName) -> Staging:
    """Make a staging for a new run, or complete a left-over one; the run lock is held."""
    staging = current(store, board)
    if staging is None:
        run = RunId(secrets.token_hex(8))
        staging = Staging(run, store.board_folder(board) / "incoming" / run)
        store.disk.make_directory(staging.folder)
    if not (staging.folder / BEGUN).exists():
        store.disk.create(staging.folder / BEGUN, b"")
    for _, path in staging.folders:
        if not path.is_dir():
            store.discard(path)  # something else of that name
            store.disk.make_directory(path)
    return staging


def tidy(store: Store, board: BoardName, *, finished_runs: frozenset[str]) -> None:
    """Remove stagings of finished runs, older ones, and strange names; the run lock is held."""
    folder = store.board_folder(board) / "incoming"
    store.check_own(folder)
    keep = next((s for s in _stagings(store, board) if s.run not in finished_runs), None)
    for item in folder.iterdir():
        if keep is None or item != keep.folder or item.is_symlink():
            store.discard(item)


def shared_inodes(folder: Path) -> list[Path]:
    """Return files that have a second name: an interrupted rename may have left one."""
    with os.scandir(folder) as found:
        return [
            folder / item.name
            for item in found
            if item.is_file(follow_symlinks=False)
            and item.stat(follow_symlinks=False).st_nlink > 1
        ]


def newest(folder: Path, digests: Iterable[Digest]) -> Digest | None:
    """Return the one that was written to last: rsync writes one file of a transfer at a time."""
    times = {digest: os.lstat(folder / digest).st_mtime_ns for digest in digests}
    return max(times, key=lambda digest: times[digest], default=None)


def move_part(
    store: Store,
    board: BoardName,
    digest: Digest,
    *,
    source: TransferFolder,
    target: TransferFolder,
) -> bool:
    """Move what arrived of a content to another folder, unless there is something of it.

    Not while a transfer writes to the folder that it is in: the keeper would hash the content in
    the other one, and not know that somebody has it open.
    """
    if not os.path.lexists(source.path / digest) or os.path.lexists(target.path / digest):
        return False
    handle = os.open(_receiving_lock(store, board, source.number), _LOCK_FLAGS, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        store.disk.rename(source.path / digest, target.path / digest)
    except OSError as error:
        if error.errno not in _BUSY:
            raise
        return False
    finally:
        os.close(handle)
    return True


def basis_size(store: Store, folder: Path, *, digest: Digest, basis: Digest) -> int:
    """Return the bytes on disk of a basis that is worth laying out, 0 for one that is not."""
    if os.path.lexists(folder / digest):
        return 0
    try:
        state = store.contents.path(basis).lstat()
    except FileNotFoundError:
        return 0
    return state.st_blocks * 512 if state.st_size >= BASIS_LEAST else 0


def lay_basis(store: Store, folder: Path, *, digest: Digest, basis: Digest) -> None:
    """Put a copy of an older content where rsync will write the new one.

    A copy, never a link: what a board writes to is never what a capture holds.
    """
    store.disk.clone(store.contents.path(basis), folder / digest)
    store.disk.date(folder / digest, BASIS_DATE)


def unused_bases(folder: Path, digests: Iterable[Digest], now: float) -> frozenset[Digest]:
    """Return the names of bases that were laid out lately and not written to; now: Unix time."""
    found = set()
    for digest in digests:
        state = os.lstat(folder / digest)
        if state.st_mtime == BASIS_DATE and 0 <= now - state.st_ctime < BASIS_SPARED:
            found.add(digest)
    return frozenset(found)


class Arrived(NamedTuple):
    """What lies in a folder.

    Attributes:
        bytes, inodes: as the disk lost them; the folder's own growth counts.
        strays: what is no regular file with one name, and a digest for that.
    """

    bytes: int
    inodes: int
    strays: tuple[Path, ...]


def arrived(top: Path) -> Arrived:
    """Look at what a folder holds.

    Raises:
        FileNotFoundError: it is gone.
    """
    blocks, inodes, strays = top.stat().st_blocks, 0, []
    folders, shared = [top], set[int]()
    while folders:
        folder = folders.pop()
        with suppress(OSError), os.scandir(folder) as found:
            for item in found:
                state = item.stat(follow_symlinks=False)
                if state.st_ino not in shared:
                    blocks, inodes = blocks + state.st_blocks, inodes + 1
                if is_shared := state.st_nlink > 1 and stat.S_ISREG(state.st_mode):
                    shared.add(state.st_ino)
                if stat.S_ISDIR(state.st_mode):  # the kernel has no Landlock
                    folders.append(Path(item.path))
                is_content = stat.S_ISREG(state.st_mode) and names.is_digest(item.name)
                if folder == top and (is_shared or not is_content):
                    strays.append(folder / item.name)
    return Arrived(blocks * 512, inodes, tuple(strays))


def drop_strays(store: Store, folder: Path) -> tuple[str, ...]:
    """Remove what is no content from a folder; return its names."""
    strays = arrived(folder).strays
    for path in strays:
        store.discard(path)
    return tuple(path.name for path in strays)


def empty(store: Store, folder: Path) -> None:
    """Remove all that arrived in a folder; the run goes on."""
    store.discard(folder)
    store.disk.make_directory(folder)


def sizes(folder: Path, digests: Iterable[Digest]) -> dict[Digest, int]:
    """Return the bytes of those that are regular files themselves, and no link to one."""
    found = {}
    for digest in digests:
        with suppress(FileNotFoundError):
            state = os.lstat(f"{folder}/{digest}")  # pathlib costs more than the call
            if stat.S_ISREG(state.st_mode):
                found[digest] = state.st_size
    return found


@contextmanager
def no_receiver(
    store: Store,
    board: BoardName,
    number: int,
    *,
    clock: Clock,
    patience: float = RECEIVER_PATIENCE,
) -> Iterator[None]:
    """Wait until no process writes to a folder of the board's run, and keep it so for the block.

    patience: in seconds.

    Raises:
        BusyError: a transfer does not end.
    """
    path = _receiving_lock(store, board, number)
    handle = os.open(path, _LOCK_FLAGS, 0o600)
    try:
        _wait_alone(handle, board, clock, patience)
        yield
    finally:
        os.close(handle)


def end_receivers(store: Store, board: BoardName, number: int, *, clock: Clock) -> None:
    """Have processes that write to a folder end, if they do not by themselves in a moment."""
    with (
        suppress(BusyError),
        no_receiver(store, board, number, clock=clock, patience=LEFTOVER_PATIENCE),
    ):
        return
    with files.opened(_receiving_lock(store, board, number), _LOCK_FLAGS) as handle:
        take_turn(handle)


def take_turn(lock: int) -> bytes:
    """Have the turn at the folder whose lock is open: whoever had it ends. Return its sign."""
    with suppress(OSError):  # a full disk: they end by themselves, later
        os.pwrite(lock, secrets.token_bytes(TURN), 0)
    return turn(lock)


def turn(lock: int) -> bytes:
    """Return the sign of who has the turn."""
    return os.pread(lock, TURN, 0)


def _wait_alone(handle: int, board: BoardName, clock: Clock, patience: float) -> None:
    deadline = clock.monotonic() + patience
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno not in _BUSY:
                raise
            if clock.monotonic() >= deadline:
                raise BusyError(
                    f"a transfer from board {board} does not end",
                    hint="look for an rsync of this board at the keeper, end it, run again",
                ) from error
            clock.sleep(0.05)
        else:
            return


def _receiving_lock(store: Store, board: BoardName, number: int) -> Path:
    return store.board_folder(board) / RECEIVING[number]


def receiver_lock(store: Store, board: BoardName, number: int) -> int:
    """Return a descriptor that marks this process, and what it becomes, as a receiver.

    Raises:
        BusyError: the keeper is taking over files at this moment, or no run is alive.
    """
    path = _receiving_lock(store, board, number)
    handle = os.open(path, os.O_RDWR | os.O_NOFOLLOW)
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        if error.errno not in _BUSY:
            raise
        raise BusyError(f"the keeper is taking over what board {board} sent; try again") from error
    os.set_inheritable(handle, True)  # noqa: FBT003  the rsync server keeps it to its end
    return handle
