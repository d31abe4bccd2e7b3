"""One browsable tree of plain files a board: its newest capture, under the files' own names.

STORE/boards/<board>/latest/<part>/...: regular files and directories, as hard links to contents,
for looking and for `cp`. It is derived, and no command needs it: left out are large files, which
are stored in pieces, what this file system cannot hold, such as an odd name, and further names of
a content that has LINKS_MOST. It is changed after sealing by what differs between two captures.
STORE/boards/<board>/latest/capture names the capture that it shows, and is missing while it is
being changed.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager, suppress
from itertools import chain, groupby
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import HoldstillError
from holdstill.keeper.account import Spent
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import pieces
from holdstill.model.sizes import BLOCK
from holdstill.records import assembled, index_file
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.account import Account
    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief
    from holdstill.records.index_queries import Index, PlacedEntry
    from holdstill.system.process import Runner

SHOWS = "capture"
CHANGES_MAX = 50_000
"""With more differences than this, a new tree is as quick, and memory stays flat."""
LINKS_MOST = 32_000
"""Names that trees give a content: ext4 allows 65,000, and fetching needs some."""


class Changes(NamedTuple):
    """What differs in a part: what to take away, and what to add, both in key order.

    Attributes:
        is_gone: whether the newer capture has nothing of this part.
    """

    removed: list[PlacedEntry]
    added: list[PlacedEntry]
    is_gone: bool = False


def refresh(
    store: Store, board: BoardName, runner: Runner, account: Account, *, is_wanted: bool = True
) -> None:
    """Make the tree show the newest good capture; nothing happens where it does already.

    One that is not wanted is removed: it holds on to what the trash has given up.

    What the tree takes is charged to the board, for it says how many directories there are.

    Raises:
        PreflightError: the board may not take so much; the tree shows what it showed before.
        HoldstillError, OSError: it cannot be made; what is there is not of use to anybody then.
    """
    if not is_wanted:
        remove(store, board)
        return
    if not store.facts.abilities.hard_links:
        return
    with _alone(store, board) as is_alone:
        shelf = BoardCaptures(store, board, runner)
        newest = shelf.newest_good() if is_alone else None
        if newest is not None and newest.name != shown(store, board):
            _show(store, shelf, newest, account)


def remove(store: Store, board: BoardName) -> None:
    """Remove the tree of a board that is not to have one."""
    if os.path.lexists(_top(store, board)):
        with _alone(store, board) as is_alone:
            if is_alone:
                store.discard(_top(store, board))


@contextmanager
def _alone(store: Store, board: BoardName) -> Iterator[bool]:
    """Yield whether no other process is at the tree, and keep it so for the block."""
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
    with files.opened(store.board_folder(board) / "latest.lock", flags) as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        else:
            yield True


def shown(store: Store, board: BoardName) -> str:
    """Return the name of the capture that the tree shows; "" for none."""
    try:
        return (_top(store, board) / SHOWS).read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""


def _top(store: Store, board: BoardName) -> Path:
    return store.board_folder(board) / "latest"


def _show(store: Store, shelf: BoardCaptures, newest: CaptureBrief, account: Account) -> None:
    top, before = _top(store, shelf.board), shown(store, shelf.board)
    if top.is_symlink():  # what is behind it is not ours to change
        before = ""
    capture = shelf.capture(newest.name)
    if not before or not _changed(store, top, shelf, before, newest, account):
        with assembled.opened_index(capture) as new:
            account.check(cost(chain.from_iterable(new.placed(part) for part in new.parts())))
            store.discard(top)
            tops = (b"", *(b"%d" % part for part in new.parts()), SHOWS.encode())
            with _charged(account, top, {*tops}):
                store.disk.make_directory(top)
                for part in new.parts():
                    _make(store, top / str(part), new, part, account)
                store.disk.publish(top / SHOWS, b"")
    store.disk.publish(top / SHOWS, f"{capture.name}\n".encode())


def _make(store: Store, folder: Path, new: Index, part: int, account: Account) -> None:
    """Make the tree of one part."""
    store.disk.make_directory(folder)
    below = _directories(new.folders(part)) - {b""}
    with (
        files.opened(folder, os.O_RDONLY | os.O_DIRECTORY) as handle,
        _charged(account, folder, below),
    ):
        writer = _TreeWriter(store, handle)
        writer.make_directories(new.folders(part))
        writer.link(new.files(part))


def _directories(entries: Iterable[PlacedEntry]) -> set[bytes]:
    """Return the directories among entries, and those that entries are in; paths of the part."""
    found = set[bytes]()
    for entry in entries:
        found.add(entry.directory)
        if not entry.digest:
            found.add(b"/".join(filter(None, (entry.directory, entry.name))))
    return found


@contextmanager
def _charged(account: Account, top: Path, directories: set[bytes]) -> Iterator[None]:
    """Charge by how much directories below top grow in the block, also when it fails."""
    before = _taken(top, directories)
    try:
        yield
    finally:
        account.charge(before.growth_to(_taken(top, directories)))


def _taken(top: Path, directories: set[bytes]) -> Spent:
    """Return what directories take; some file systems say 0 of one, and need room all the same."""
    found = []
    with suppress(FileNotFoundError), files.opened(top, os.O_RDONLY | os.O_DIRECTORY) as handle:
        for directory in directories:
            # Relative: from the root it may be longer than a path may be.
            with suppress(OSError):  # not there yet, or one that cannot be made
                state = os.lstat(directory or b".", dir_fd=handle)
                found.append(state.st_blocks * 512)
    return Spent(bytes=sum(max(BLOCK, size) for size in found), inodes=len(found))


def cost(entries: Iterable[PlacedEntry]) -> Spent:
    """Return what names and directories take at most; the files are links to what was paid for.

    A name takes 8 bytes more than its length in ext4 (docs.kernel.org, filesystems/ext4,
    "Directory Entries"), and directories that grew one by one are half full.
    """
    folders = size = 0
    for entry in entries:
        size += 2 * (8 + len(entry.name))
        folders += not entry.digest
    return Spent(bytes=size + folders * BLOCK, inodes=folders)


def _changed(
    store: Store,
    top: Path,
    shelf: BoardCaptures,
    before: str,
    newest: CaptureBrief,
    account: Account,
) -> bool:
    """Do the differences between two captures; return False where a new tree is called for."""
    changes = _changes(shelf, before, newest)
    if changes is None:
        return False
    account.check(cost(chain.from_iterable(found.added for found in changes.values())))
    if changes:
        store.disk.unlink(top / SHOWS)
    for part, found in changes.items():
        folder = top / str(part)
        if not folder.is_dir():
            store.disk.make_directory(folder)
        store.check_own(folder)
        with (
            files.opened(folder, os.O_RDONLY | os.O_DIRECTORY) as handle,
            _charged(account, folder, _directories(found.added)),
        ):
            writer = _TreeWriter(store, handle)
            writer.remove(reversed(found.removed))  # what is in a directory before it
            writer.make_directories(entry for entry in found.added if not entry.digest)
            writer.link(entry for entry in found.added if entry.digest)
        if found.is_gone:
            store.disk.remove_tree(folder)
    return True


def _changes(shelf: BoardCaptures, before: str, newest: CaptureBrief) -> dict[int, Changes] | None:
    """Return what differs in each part; None where that is too much, or cannot be found out."""
    try:
        old = shelf.capture(before)
        if old.manifest().index.sha256 == newest.index:
            return {}
        with _opened_both(old, shelf.capture(newest.name)) as new:
            parts = sorted({*new.parts(), *new.older_parts()})
            found = {part: compare(new, part) for part in parts}
    except (HoldstillError, OSError):  # it was thinned, say
        return None
    known = {part: changes for part, changes in found.items() if changes is not None}
    return known if len(known) == len(found) else None


@contextmanager
def _opened_both(before: StoredCapture, after: StoredCapture) -> Iterator[Index]:
    """Hold the index of the newer capture open beside that of the older one."""
    with (
        assembled.as_file(before, before.manifest().index) as older,
        assembled.as_file(after, after.manifest().index) as newer,
        index_file.opened_beside(newer, older) as index,
    ):
        yield index


class _TreeWriter:
    """Makes and removes names below the open folder of one part."""

    def __init__(self, store: Store, top: int) -> None:
        self._store, self._top = store, top

    def make_directories(self, entries: Iterable[PlacedEntry]) -> None:
        """Make directories, which come parents first."""
        self._each(entries, lambda entry, at: self._store.disk.make_directory_at(entry.name, at))

    def link(self, entries: Iterable[PlacedEntry]) -> None:
        """Link contents under the names of files."""

        def link_one(entry: PlacedEntry, at: int) -> None:
            if pieces.is_pieced(entry.size):
                return  # there is no file with its bytes
            source = self._store.contents.path_text(entry.digest.hex())
            if os.lstat(source).st_nlink < LINKS_MOST:
                self._store.disk.link_at(source, entry.name, at)

        self._each(entries, link_one)

    def remove(self, entries: Iterable[PlacedEntry]) -> None:
        """Remove files and empty directories, children first."""

        def remove_one(entry: PlacedEntry, at: int) -> None:
            if entry.digest:
                self._store.disk.unlink_at(entry.name, at)
            else:
                self._store.disk.remove_directory_at(entry.name, at)

        self._each(entries, remove_one)

    def _each(
        self, entries: Iterable[PlacedEntry], act: Callable[[PlacedEntry, int], None]
    ) -> None:
        """Act on each entry in its directory; what cannot be done is left out of the tree."""
        for directory, group in groupby(entries, key=attrgetter("directory")):
            try:
                at = files.open_beneath(self._top, directory, os.O_RDONLY | os.O_DIRECTORY)
            except OSError:  # one that could not be made
                continue
            try:
                for entry in group:
                    try:
                        act(entry, at)
                    except OSError:
                        continue
            finally:
                os.close(at)


def compare(new: Index, part: int) -> Changes | None:
    """Return how a part differs from the older index; None for more than CHANGES_MAX differences.

    SQLite compares: of 150,000 entries it gives back only what differs.
    """
    removed, added = new.placed_changes(part, CHANGES_MAX + 1)
    changes = Changes(removed, added, is_gone=part not in new.parts())
    return None if len(changes.removed) + len(changes.added) > CHANGES_MAX else changes
