"""Random work on a file tree, the same for the same seed: what a detector of changes survives."""

from __future__ import annotations

import ctypes
import fcntl
import mmap
import os
import random
import shutil
import socket
import stat
import struct
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

_LIBC = ctypes.CDLL(None, use_errno=True)
_SYS_RENAMEAT2 = {"x86_64": 316, "aarch64": 276}
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
_FS_IOC_GETFLAGS, _FS_IOC_SETFLAGS = 0x80086601, 0x40086602  # linux/fs.h
_IMMUTABLE, _APPEND = 0x10, 0x20
_FLAGS = (0x40, 0x80, 0x8, 0x10000, _APPEND, _IMMUTABLE)
_PUNCH_HOLE, _KEEP_SIZE = 0x02, 0x01  # linux/falloc.h
_SIZES = (0, 1, 60, 160, 1000, 4095, 4096, 5000, 20_000, 70_000)
_ACL = struct.pack(
    "<I" + "HHI" * 5,
    2,  # version; include/uapi/linux/posix_acl_xattr.h
    *(0x01, 6, 0xFFFFFFFF),  # user::rw-
    *(0x02, 4, 1000),  # user:1000:r--
    *(0x04, 4, 0xFFFFFFFF),  # group::r--
    *(0x10, 4, 0xFFFFFFFF),  # mask::r--
    *(0x20, 0, 0xFFFFFFFF),  # other::---
)


class Turmoil:
    """Does one random thing after another in a tree; what the kernel refuses is skipped."""

    def __init__(self, top: Path, seed: int, *, most: int = 150) -> None:
        self.top = top
        self.seed = seed
        self._random = random.Random(seed)  # noqa: S311  repeatable, not secret
        self._most = most
        self._maps: list[tuple[int, mmap.mmap]] = []
        self._orphans: list[int] = []
        self._moved: list[tuple[Path, Path]] = []
        self._stored = (-1, 0)
        self.log: list[str] = []
        self._works: tuple[Callable[[], None], ...] = (
            self.create, self.create, self.create, self.append, self.overwrite, self.overwrite,
            self.truncate, self.map_and_store, self.store, self.store, self.store,
            self.rename_file, self.rename_file, self.rename_tree, self.rename_tree,
            self.exchange, self.there_and_back, self.link, self.link, self.unlink, self.unlink,
            self.remove_directory, self.remove_tree, self.dig, self.dig, self.symlink, self.node,
            self.chmod, self.chown, self.touch, self.set_xattr, self.remove_xattr, self.set_acl,
            self.change_flags, self.reuse_file, self.reuse_directory, self.reuse_as_other,
            self.punch, self.preallocate, self.orphan, self.adopt, self.replace,
            self.move_away, self.move_back,
        )  # fmt: skip
        self._tricks: tuple[Callable[[], None], ...] = (
            self.store, self.store_again, self.store_again, self.store_again, self.move_away,
            self.move_away, self.move_back, self.move_back, self.reuse_directory,
        )  # fmt: skip

    def step(self) -> None:
        """Do one thing."""
        self._do(self._random.choice(self._works))

    def trick(self) -> None:
        """Do one of the things that are hardest to follow for who is looking just now."""
        self._do(self._random.choice(self._tricks))

    def _do(self, work: Callable[[], None]) -> None:
        self.log.append(work.__name__)
        with suppress(OSError):
            work()

    def steps(self, count: int) -> None:
        """Do some things."""
        for _ in range(count):
            self.step()

    def close(self) -> None:
        """Let go of what is open."""
        while self._maps:
            self._unmap(0)
        for handle in self._orphans:
            os.close(handle)
        self._orphans.clear()

    # Choosing ----------------------------------------------------------------------------------

    def _all(self) -> list[Path]:
        found = [self.top]
        for directory, directories, files in os.walk(self.top):
            found += [Path(directory, name) for name in (*directories, *files)]
        return sorted(found)

    def _one_of(self, fits: Callable[[int], bool]) -> Path:
        found = [path for path in self._all() if fits(path.lstat().st_mode)]
        if not found:
            raise FileNotFoundError
        return self._random.choice(found)

    def _file(self) -> Path:
        return self._one_of(stat.S_ISREG)

    def _directory(self) -> Path:
        return self._one_of(stat.S_ISDIR)

    def _inner_directory(self) -> Path:
        found = self._directory()
        if found == self.top:
            raise FileNotFoundError
        return found

    def _any(self) -> Path:
        return self._one_of(lambda _: True)

    def _name(self) -> str:
        # Few names, so that they are used again; some that are no text, or need care.
        odd = ("a\nb", os.fsdecode(b"\xff\xfe"), "#x", "-", " ", "n" * 255)
        if self._random.random() < 0.1:
            return self._random.choice(odd)
        return self._random.choice("abcdefghijklmnop")

    def _new_path(self) -> Path:
        return self._directory() / self._name()

    def _bytes(self, count: int) -> bytes:
        return self._random.randbytes(count)

    def _size(self) -> int:
        return self._random.choice(_SIZES)

    def _write(self, path: Path, content: bytes) -> None:
        """Write a regular file; never into a device, a pipe, or through a symlink."""
        with suppress(FileNotFoundError):
            if not stat.S_ISREG(path.lstat().st_mode):
                raise FileExistsError
        path.write_bytes(content)

    # Contents ----------------------------------------------------------------------------------

    def create(self) -> None:
        if len(self._all()) > self._most:
            return self.remove_tree()
        self._write(self._new_path(), self._bytes(self._size()))
        return None

    def append(self) -> None:
        with self._file().open("ab") as file:
            file.write(self._bytes(self._random.choice((1, 100, 5000))))

    def overwrite(self) -> None:
        path = self._file()
        with path.open("r+b") as file:
            file.seek(self._random.randrange(max(1, path.stat().st_size)))
            file.write(self._bytes(1))

    def truncate(self) -> None:
        os.truncate(self._file(), self._random.choice((*_SIZES, 1 << 20)))

    def map_and_store(self) -> None:
        handle = os.open(self._file(), os.O_RDWR)
        try:
            self._maps.append((handle, mmap.mmap(handle, 0)))
        except ValueError:  # it is empty
            os.close(handle)
        if len(self._maps) > 4:
            self._unmap(self._random.randrange(4))
        self.store()

    def _unmap(self, number: int) -> None:
        handle, mapped = self._maps.pop(number)
        mapped.close()
        os.close(handle)

    def store(self) -> None:
        """Store into a mapped page; if it is dirty already this moves no time stamp."""
        if self._maps:
            handle, mapped = self._random.choice(self._maps)
            self._stored = handle, self._random.randrange(len(mapped))
            self.store_again()

    def store_again(self) -> None:
        """Store into the same page as last time."""
        for handle, mapped in self._maps:
            if handle == self._stored[0]:
                self._store(handle, mapped, self._stored[1] % len(mapped))

    def _store(self, handle: int, mapped: mmap.mmap, at: int) -> None:
        # A store into a file that became shorter or immutable would kill us with SIGBUS.
        (flags,) = struct.unpack("I4x", fcntl.ioctl(handle, _FS_IOC_GETFLAGS, bytes(8)))
        if os.fstat(handle).st_size >= len(mapped) and not flags & _IMMUTABLE:
            mapped[at] = self._random.randrange(256)

    def punch(self) -> None:
        with self._file().open("r+b") as file:
            _LIBC.fallocate(
                file.fileno(), _PUNCH_HOLE | _KEEP_SIZE, ctypes.c_long(4096), ctypes.c_long(8192)
            )

    def preallocate(self) -> None:
        with self._file().open("r+b") as file:
            os.posix_fallocate(file.fileno(), 0, self._random.choice((100, 9000, 50_000)))

    # Names -------------------------------------------------------------------------------------

    def rename_file(self) -> None:
        self._one_of(lambda mode: not stat.S_ISDIR(mode)).rename(self._new_path())

    def rename_tree(self) -> None:
        self._inner_directory().rename(self._new_path())

    def there_and_back(self) -> None:
        """Move a directory away, and back after another thing was done."""
        tree, away = self._inner_directory(), self._new_path()
        tree.rename(away)
        with suppress(OSError):
            self.create()
        away.rename(tree)

    def move_away(self) -> None:
        """Move a directory away for a while."""
        tree, away = self._inner_directory(), self._new_path()
        tree.rename(away)
        self._moved.append((tree, away))

    def move_back(self) -> None:
        """Move the directory that was moved last back to where it was."""
        if self._moved:
            tree, away = self._moved.pop()
            away.rename(tree)

    def exchange(self) -> None:
        one, other = os.fsencode(self._any()), os.fsencode(self._any())
        number = _SYS_RENAMEAT2[os.uname().machine]
        _LIBC.syscall(number, _AT_FDCWD, one, _AT_FDCWD, other, _RENAME_EXCHANGE)

    def link(self) -> None:
        os.link(
            self._one_of(lambda m: not stat.S_ISDIR(m)), self._new_path(), follow_symlinks=False
        )

    def unlink(self) -> None:
        self._one_of(lambda mode: not stat.S_ISDIR(mode)).unlink()

    def remove_directory(self) -> None:
        self._inner_directory().rmdir()

    def remove_tree(self) -> None:
        shutil.rmtree(self._inner_directory())

    def dig(self) -> None:
        """Make directories in each other, with files at the bottom."""
        below = self._new_path().joinpath(
            *(self._name() for _ in range(self._random.randrange(6)))
        )
        below.mkdir(parents=True)
        for _ in range(self._random.randrange(4)):
            self._write(below / self._name(), self._bytes(self._size()))

    def symlink(self) -> None:
        self._new_path().symlink_to("t" * self._random.choice((1, 59, 60, 300)))

    def node(self) -> None:
        path = self._new_path()
        kind = self._random.randrange(4)
        if kind == 0:
            os.mkfifo(path)
        elif kind == 1:
            with socket.socket(socket.AF_UNIX) as listener:
                listener.bind(os.fsencode(path))
        else:
            numbers = self._random.choice(((1, 3), (8, 1), (259, 1_000_000)))
            os.mknod(path, (stat.S_IFCHR, stat.S_IFBLK)[kind - 2] | 0o600, os.makedev(*numbers))

    def replace(self) -> None:
        """Write beside a file and rename over it, as careful programs do."""
        path = self._file()
        draft = path.with_name(".draft")
        self._write(draft, self._bytes(self._size()))
        draft.rename(path)

    def orphan(self) -> None:
        """Delete a file that is open."""
        path = self._file()
        self._orphans.append(os.open(path, os.O_RDWR | os.O_NOFOLLOW))
        path.unlink()
        if len(self._orphans) > 3:
            os.close(self._orphans.pop(0))

    def adopt(self) -> None:
        """Make a file without a name, then give it one."""
        handle = os.open(self._directory(), os.O_TMPFILE | os.O_RDWR)
        try:
            os.write(handle, self._bytes(100))
            os.link(f"/proc/self/fd/{handle}", self._new_path(), follow_symlinks=True)
        finally:
            os.close(handle)

    # Inode numbers that are used again ---------------------------------------------------------

    def reuse_file(self) -> None:
        path = self._file()
        size = path.stat().st_size
        path.unlink()
        path.write_bytes(self._bytes(size))

    def reuse_directory(self) -> None:
        path = self._inner_directory()
        shutil.rmtree(path)
        path.mkdir()
        (path / self._name()).write_bytes(b"new")

    def reuse_as_other(self) -> None:
        """Let a directory become a file, or the other way round."""
        path = self._any()
        if path == self.top:
            return
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
            path.write_bytes(b"was a directory")
        else:
            path.unlink()
            path.mkdir()
            (path / self._name()).write_bytes(b"below what was a file")

    # Attributes --------------------------------------------------------------------------------

    def chmod(self) -> None:
        self._one_of(lambda mode: not stat.S_ISLNK(mode)).chmod(self._random.randrange(0o10000))

    def chown(self) -> None:
        owner = self._random.choice((0, 1000, 70_000, 2**32 - 2))
        os.chown(self._any(), owner, self._random.choice((0, 50, 80_000)), follow_symlinks=False)

    def touch(self) -> None:
        moment = self._random.choice((0, -5, 1_000_000_000_123_456_789, 7_000_000_000 * 10**9 + 7))
        os.utime(self._any(), ns=(moment, moment), follow_symlinks=False)

    def set_xattr(self) -> None:
        name = self._random.choice(("user.a", "user.b", "trusted.c", "security.x"))
        value = self._bytes(self._random.choice((0, 5, 90, 900)))
        os.setxattr(self._any(), name, value, follow_symlinks=False)

    def remove_xattr(self) -> None:
        path = self._any()
        names = os.listxattr(path, follow_symlinks=False)
        if names:
            os.removexattr(path, self._random.choice(names), follow_symlinks=False)

    def set_acl(self) -> None:
        path = self._one_of(lambda mode: stat.S_ISREG(mode) or stat.S_ISDIR(mode))
        kind = "default" if path.is_dir() and self._random.random() < 0.5 else "access"
        os.setxattr(path, f"system.posix_acl_{kind}", _ACL)

    def change_flags(self) -> None:
        path = self._one_of(lambda mode: stat.S_ISREG(mode) or stat.S_ISDIR(mode))
        if path == self.top:
            return
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
        try:
            (flags,) = struct.unpack("I4x", fcntl.ioctl(handle, _FS_IOC_GETFLAGS, bytes(8)))
            # What is immutable stays so until the next time somebody comes by here.
            flags = (
                flags & ~(_IMMUTABLE | _APPEND)
                if flags & (_IMMUTABLE | _APPEND)
                else (flags ^ self._random.choice(_FLAGS))
            )
            fcntl.ioctl(handle, _FS_IOC_SETFLAGS, struct.pack("Q", flags))
        finally:
            os.close(handle)
