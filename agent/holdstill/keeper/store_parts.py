"""The folders that a store is made of, all of them on one file system.

What arrives is renamed from one into another, and what is deleted into the trash, so that a cut
leaves it here or there. Between file systems nothing is renamed or linked (rename(2), EXDEV), nor
between two subvolumes of a btrfs, nor between two mounts of one file system.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import PreflightError
from holdstill.keeper.content_store import SHARDS
from holdstill.system import files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

FOLDERS = (
    "content",
    "boards",
    "trash",
    "damaged",
    "readers",
    *(f"content/{shard}" for shard in SHARDS),
)
OF_RUNS = ("captures", "incoming", "sealing")
"""Of a board, those that every run of it needs."""
OF_BOARD = (*OF_RUNS, "outgoing", "latest")


def is_elsewhere(folder: Path) -> bool:
    """Whether a folder is on another mount than the one that it is in; False if not there.

    A symlink is none of ours, wherever it leads.
    """
    try:
        return files.mount_of(folder) != files.mount_of(folder.parent.resolve())
    except OSError:
        return False


def what_is_wrong(folder: Path) -> str:
    """Say what it means that a folder is elsewhere."""
    return (
        f"{folder}: it is on another file system than {folder.parent}: a disk, a subvolume or a "
        "folder is mounted there, or it is a subvolume; no board can capture, and nothing is "
        "given back"
    )


def what_to_do(root: Path) -> str:
    """Say what to do about a folder that is elsewhere."""
    return (
        f"bring all of {root} together on one file system, large enough for all of it: `findmnt` "
        "shows what is mounted where; unmount that, look what lies below it, and copy what is "
        "only on the other one to its place; no capture is the worse for it"
    )


def check(store: Store, board: BoardName) -> None:
    """Refuse a run whose captures could not be sealed, before anything is sent.

    Raises:
        PreflightError: a folder that it needs is on another file system.
    """
    of_board = store.board_folder(board)
    needed = (store.root / name for name in FOLDERS)
    for folder in (*needed, of_board, *(of_board / name for name in OF_RUNS)):
        if is_elsewhere(folder):
            raise PreflightError(what_is_wrong(folder), hint=what_to_do(store.root))
