"""What is in a store's own places and cannot be of use there: a folder for a file, a symlink.

No capture is the worse for any of it, so nothing else looks at it; who verifies a store is told.
What captures need (manifests, signatures, contents, ledgers, enrolments) is judged elsewhere; here
only whether it is a link to one.
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from typing import TYPE_CHECKING

import msgspec

from holdstill.keeper import (
    account,
    ballast,
    incoming,
    latest_tree,
    references,
    run_handover,
    session_slots,
    store_owner,
    store_parts,
)
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE
from holdstill.keeper.ledger import SealedEvent
from holdstill.keeper.store import BY_HAND, GATE, LOCK, REMEMBERED, WATCHED, by_hand
from holdstill.model import names
from holdstill.system import files
from holdstill.system.users import User

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store

_FILES = ("store.yaml", LOCK, GATE, REMEMBERED, WATCHED, references.NAME, ballast.NAME)
_BOARD_FILES = (
    incoming.LOCK, run_handover.NEXT, *incoming.RECEIVING, *session_slots.NAMES,
    "account.lock", "latest.lock",
    f"latest/{latest_tree.SHOWS}", "refusals.jsonl",
)  # fmt: skip
_KINDS = {
    stat.S_IFDIR: "a directory", stat.S_IFLNK: "a symlink", stat.S_IFREG: "a file",
    stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket", stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}  # fmt: skip


def found(store: Store) -> tuple[str, ...]:
    """Return what is odd, each with its path and what to do; what is not there is not odd."""
    return tuple(_all(store))


def _all(store: Store) -> Iterator[str]:
    yield from _elsewhere(store)
    yield from _of_folder(store.root, store_parts.FOLDERS, _FILES)
    if not os.path.lexists(store.root / "content"):
        yield (
            f"{store.root / 'content'}: the folder of all contents is gone; what to do: put it "
            "back, or mount its disk there"
        )
    with suppress(OSError):  # told already
        if not store.known_boards.is_sound():
            yield (
                f"{store.root / REMEMBERED}: a line is not as it was written; what to do: "
                "nothing, it is written again with `holdstill thin --apply`"
            )
    for folder in store.board_folders():
        if names.is_board(folder.name) and folder.is_dir():
            yield from _of_folder(folder.parent, (folder.name,), ())
            yield from _of_folder(folder, store_parts.OF_BOARD, _BOARD_FILES)
            yield from _no_files(folder)
            yield from _document(folder / account.NAME, account.Balance)
            for intent in _inside(folder / "sealing", "*.json"):
                yield from _document(intent, SealedEvent)


def _elsewhere(store: Store) -> Iterator[str]:
    """Say which folders are on another file system than the rest of the store."""
    folders = [store.root / name for name in store_parts.FOLDERS]
    for board in store.board_folders():
        folders += [board, *(board / name for name in store_parts.OF_BOARD)]
    for folder in filter(store_parts.is_elsewhere, folders):
        do = store_parts.what_to_do(store.root)
        yield f"{store_parts.what_is_wrong(folder)}; what to do: {do}"


def _of_folder(top: Path, folders: tuple[str, ...], plain: tuple[str, ...]) -> Iterator[str]:
    for name in folders:
        yield from _odd(top / name, stat.S_IFDIR)
    for name in plain:
        yield from _odd(top / name, stat.S_IFREG)


def _odd(path: Path, due: int) -> Iterator[str]:
    try:
        state, above = path.lstat(), path.parent.stat()
    except OSError:  # it is not there, or what is odd is the folder that it is in
        return
    mode = state.st_mode
    what = "folder" if due == stat.S_IFDIR else "file"
    if stat.S_IFMT(mode) != due:
        kind = _KINDS.get(stat.S_IFMT(mode), "something else")
        leads_on = stat.S_ISLNK(mode) and path.exists()
        do = "put what it points to in its place" if leads_on else "move it away"
        yield f"{path}: {kind} is in the place of a {what} of the store; what to do: {do}"
        return
    what, lines = "its owner may not read it", list[str]()
    if state.st_uid != above.st_uid:
        owner = User.owner_of(path.parent.resolve())
        what = f"it is user {User.owner_of(path).called}'s, in a folder of user {owner.called}"
        lines.append(f"`{store_owner.given_back(path, owner)}`")
    if not mode & stat.S_IRUSR:
        lines.append(f"`chmod {'u+rwx' if due == stat.S_IFDIR else 'u+rw'} {path}`")
    if lines:
        yield f"{path}: {what}; what to do: {' and '.join(lines)}"


def page(store: Store) -> tuple[str, ...]:
    """Return what is odd about READ-ME-FIRST.txt.

    That of another version is, too. It is written again by the next run, so nobody need be called.
    """
    path = store.root / BY_HAND
    with suppress(OSError):
        if files.read_regular(path) == by_hand():
            return ()
    said = (
        f"{path}: it is not the page that belongs there; what to do: nothing, it is written again "
        "when a board captures, or with `holdstill thin --apply`"
    )
    return (said,)


def _no_files(folder: Path) -> Iterator[str]:
    """Find links and pipes in the place of documents: nobody else tells what these are."""
    yield from _no_files_in(folder, "ledger.jsonl", "enrolment.yaml")
    for capture in _inside(folder / "captures"):
        yield from _no_files_in(capture, MANIFEST, SIGNATURE)


def _no_files_in(folder: Path, *names: str) -> Iterator[str]:
    """Find what is no file, or a file of another user than the folder's."""
    with suppress(PermissionError, FileNotFoundError, NotADirectoryError):  # gone, or told
        owner = folder.stat().st_uid
        for name in names:
            try:
                state = os.lstat(f"{folder}/{name}")
            except FileNotFoundError:
                continue
            is_file = stat.S_ISREG(state.st_mode) or stat.S_ISDIR(state.st_mode)
            if not is_file or state.st_uid != owner:
                yield from _odd(folder / name, stat.S_IFREG)


def _inside(folder: Path, pattern: str = "*") -> list[Path]:
    with suppress(OSError):  # told already
        return [] if folder.is_symlink() else sorted(folder.glob(pattern))
    return []


def _document(path: Path, kind: type[account.Balance | SealedEvent]) -> Iterator[str]:
    """Say that a document is none or cannot be read; the board's next run makes another."""
    if odd := tuple(_odd(path, stat.S_IFREG)):
        yield from odd
        return
    try:
        msgspec.json.decode(files.read_regular(path), type=kind)
    except OSError:  # it is not there
        return
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        yield (
            f"{path}: it is damaged: {error}; what to do: nothing, the board's next run begins "
            "another one; see `dmesg` whether the disk is failing"
        )
