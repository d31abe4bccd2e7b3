"""Disks that fail, or lose power, at the N-th call: where a store's promises are tried.

After a power cut nothing works any more. What a real disk may have forgotten then is taken away
from the files: with `Loss.DATA` the second half of every file that was not synced, with
`Loss.ALL` also every name that was made or moved in a directory that was not synced since.
"""

from __future__ import annotations

import errno
import os
import shutil
from contextlib import suppress
from enum import Enum, auto
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.keeper.store_disk import StoreDisk

if TYPE_CHECKING:
    from collections.abc import Callable


class PowerCutError(BaseException):
    """The machine is off: nothing may catch this."""


class Loss(Enum):
    """What a power cut takes with it."""

    NOTHING = auto()
    DATA = auto()
    ALL = auto()


class FaultyDisk(StoreDisk):
    """Counts its calls; subclasses say what happens at which."""

    def __init__(self) -> None:
        self.calls = 0
        self.came = False
        self._unsynced: dict[str, int] = {}
        """Files with bytes that are not on the medium, and how many of them are."""
        self._undo: list[tuple[str, Callable[[], None]]] = []

    def step(self, what: str, path: Path) -> None:
        """Come before every call."""
        self.calls += 1

    def received(self, path: Path) -> None:
        """Take note of a file that somebody else wrote: rsync."""
        self._unsynced[str(path)] = 0

    def make_directory(self, path: Path) -> None:
        self.step("mkdir", path)
        super().make_directory(path)
        self._undo.append((str(path.parent), lambda: shutil.rmtree(path, ignore_errors=True)))

    def make_directory_at(self, name: bytes, at: int) -> None:
        path = _path(name, at)
        self.step("mkdir", path)
        super().make_directory_at(name, at)
        self._undo.append((str(path.parent), lambda: shutil.rmtree(path, ignore_errors=True)))

    def create(self, path: Path, content: bytes, *, mode: int = 0o600) -> None:
        self.step("create", path)
        super().create(path, content, mode=mode)
        self._made(path)

    def append(self, path: Path, line: bytes) -> None:
        size = path.stat().st_size
        try:
            self.step("append", path)
        except OSError:
            with path.open("ab") as file:  # a full disk takes a part
                file.write(line[: len(line) // 2])
            raise
        super().append(path, line)
        self._unsynced.setdefault(str(path), size)
        self._undo.append((f"data of {path}", lambda: os.truncate(path, size)))

    def truncate(self, path: Path, size: int) -> None:
        self.step("truncate", path)
        super().truncate(path, size)

    def clone(self, source: Path, target: Path) -> None:
        try:
            self.step("clone", target)
        except OSError:
            target.write_bytes(source.read_bytes()[: source.stat().st_size // 2])
            raise
        super().clone(source, target)
        self._made(target)

    def link_at(self, source: str, name: bytes, at: int) -> None:
        path = _path(name, at)
        self.step("link", path)
        super().link_at(source, name, at)
        self._undo.append((str(path.parent), lambda: path.unlink(missing_ok=True)))

    def rename(self, source: Path, target: Path) -> None:
        self.step("rename", target)
        replaced = target.read_bytes() if target.is_file() else None
        super().rename(source, target)
        self._moved(source, target, replaced)

    def rename_new(self, source: Path, target: Path) -> None:
        self.step("rename", target)
        super().rename_new(source, target)
        self._moved(source, target, None)

    def unlink(self, path: Path) -> None:
        self.step("unlink", path)
        super().unlink(path)

    def unlink_at(self, name: bytes, at: int) -> None:
        self.step("unlink", _path(name, at))
        super().unlink_at(name, at)

    def remove_directory_at(self, name: bytes, at: int) -> None:
        self.step("rmdir", _path(name, at))
        super().remove_directory_at(name, at)

    def change_mode(self, handle: int, mode: int) -> None:
        self.step("chmod", Path(f"/proc/self/fd/{handle}").readlink())
        super().change_mode(handle, mode)

    def sync_file(self, path: Path) -> None:
        self.step("fsync", path)
        self._unsynced.pop(str(path), None)
        self._undo = [(place, undo) for place, undo in self._undo if place != f"data of {path}"]

    def sync_directory(self, path: Path) -> None:
        self.step("fsync", path)
        self._undo = [(place, undo) for place, undo in self._undo if place != str(path)]

    def sync_all(self, path: Path) -> None:
        self.step("syncfs", path)
        self._unsynced.clear()
        self._undo.clear()

    def open_dropped(self, path: Path) -> int:
        self.step("read", path)
        return super().open_dropped(path)

    def lose(self, loss: Loss) -> None:
        """Take away what a real disk may have forgotten."""
        if loss is Loss.NOTHING:
            return
        for name, synced in self._unsynced.items():
            with suppress(FileNotFoundError):
                _cut(Path(name), synced)
        if loss is Loss.ALL:
            for _, undo in reversed(self._undo):
                with suppress(FileNotFoundError, OSError):
                    undo()

    def _made(self, path: Path) -> None:
        self._unsynced[str(path)] = 0
        self._undo.append((str(path.parent), lambda: path.unlink(missing_ok=True)))

    def _moved(self, source: Path, target: Path, replaced: bytes | None) -> None:
        for name in [n for n in self._unsynced if n == str(source) or n.startswith(f"{source}/")]:
            moved = str(target) + name.removeprefix(str(source))
            self._unsynced[moved] = self._unsynced.pop(name)

        def undo() -> None:
            target.rename(source)
            if replaced is not None:
                target.write_bytes(replaced)

        self._undo.append((str(target.parent), undo))


def _cut(path: Path, synced: int) -> None:
    """Take away half of what was not synced; a disk asks nobody for the right to."""
    mode = path.stat().st_mode & 0o7777
    path.chmod(mode | 0o200)
    os.truncate(path, (synced + path.stat().st_size) // 2)
    path.chmod(mode)


def _path(name: bytes, at: int) -> Path:
    return Path(Path(f"/proc/self/fd/{at}").readlink()) / os.fsdecode(name)


class PowerCutDisk(FaultyDisk):
    """Loses power before its N-th call."""

    def __init__(self, at: int, loss: Loss) -> None:
        super().__init__()
        self._at, self._loss = at, loss

    def step(self, what: str, path: Path) -> None:
        super().step(what, path)
        if self.calls == self._at:
            self.lose(self._loss)
        if self.calls >= self._at:
            self.came = True
            raise PowerCutError(f"before {what} {path}")


class FailingDisk(FaultyDisk):
    """Answers its N-th call with an error, and every later one if it fails for ever."""

    def __init__(self, at: int, number: int, *, times: int) -> None:
        super().__init__()
        self._at, self._number, self._times = at, number, times

    def step(self, what: str, path: Path) -> None:
        super().step(what, path)
        if self._at <= self.calls < self._at + self._times:
            self.came = True
            raise OSError(self._number, f"{errno.errorcode[self._number]} at {what}", str(path))
