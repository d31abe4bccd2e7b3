"""What a 32-bit program is told, by the kernel itself: a real one runs, with our numbers."""

from __future__ import annotations

import errno
import os
import platform
import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from holdstill.system import ioctl
from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ORIGIN, SECOND = 0x08048000, 0x08049000
NARROW = ioctl.word_sized_requests(4)
IMMUTABLE, APPEND_ONLY = 0x10, 0x20
"""FS_IMMUTABLE_FL and FS_APPEND_FL (linux/fs.h)."""


def program_32(request: int) -> bytes:
    """Return an x86 program of 32 bits: ioctl(0, request, answer), write(1, answer, 8).

    It ends with the errno of the first. System V ABI, Intel386 supplement, ELF header and program
    header; numbers of calls: Linux arch/x86/entry/syscalls/syscall_32.tbl.
    """
    answer = struct.pack("<I", SECOND)
    code = b"".join([
        *(b"\xb8\x36\0\0\0", b"\x31\xdb"),  # mov eax, ioctl; xor ebx, ebx
        *(b"\xb9", struct.pack("<I", request), b"\xba", answer, b"\xcd\x80"),  # ecx, edx; int 80h
        *(b"\x89\xc6", b"\xb8\x04\0\0\0", b"\xbb\x01\0\0\0"),  # keep it; mov eax, write; ebx, 1
        *(b"\xb9", answer, b"\xba\x08\0\0\0", b"\xcd\x80"),
        *(b"\x89\xf3", b"\xf7\xdb", b"\xb8\x01\0\0\0", b"\xcd\x80"),  # exit(-kept)
    ])  # fmt: skip
    start = 52 + 2 * 32
    fields = (2, 3, 1, ORIGIN + start, 52, 0, 0, 52, 32, 2, 40, 0, 0)
    head = b"\x7fELF\1\1\1".ljust(16, b"\0") + struct.pack("<HHIIIIIHHHHHH", *fields)
    size = start + len(code)
    text = struct.pack("<8I", 1, 0, ORIGIN, ORIGIN, size, size, 5, 0x1000)
    room = struct.pack("<8I", 1, 0, SECOND, SECOND, 0, 64, 6, 0x1000)
    return head + text + room + code


def asked(folder: Path, handle: int, request: int) -> tuple[int, bytes]:
    """Have a 32-bit program ask about an open file; return errno and the answer."""
    program = folder / "asks"
    program.write_bytes(program_32(request))
    program.chmod(0o700)
    try:
        done = subprocess.run([program], stdin=handle, capture_output=True, check=False)
    except OSError as error:
        if error.errno != errno.ENOEXEC:
            raise
        pytest.skip("this kernel runs no 32-bit programs")
    return done.returncode, done.stdout


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    if platform.machine() != "x86_64":
        pytest.skip("the program is one for x86")
    with loop.ext4_volume(tmp_path) as at:
        yield at


def test_a_32_bit_program_sees_immutable_and_append_only(volume: Path, tmp_path: Path) -> None:
    path = volume / "seal"
    path.touch()
    handle = os.open(path, os.O_RDONLY)
    try:
        programs.run("chattr", "+ia", path)

        assert ioctl.inode_flags(handle) & 0x30 == IMMUTABLE | APPEND_ONLY
        error, answer = asked(tmp_path, handle, NARROW.get_flags)
        assert error == 0
        assert answer[0] & 0x30 == IMMUTABLE | APPEND_ONLY
    finally:
        programs.run("chattr", "-ia", path)
        os.close(handle)


def test_a_32_bit_program_learns_the_generation(volume: Path, tmp_path: Path) -> None:
    path = volume / "generation"
    path.touch()
    handle = os.open(path, os.O_RDONLY)
    try:
        wanted = ioctl.inode_generation(handle)

        assert wanted != 0
        error, answer = asked(tmp_path, handle, NARROW.get_version)
        assert (error, int.from_bytes(answer[:4], "little")) == (0, wanted)
        # Linux fs/ext4/ioctl.c, ext4_compat_ioctl: only the 32-bit number.
        assert asked(tmp_path, handle, 0x80087601)[0] == errno.ENOTTY
    finally:
        os.close(handle)


# linux/fs.h: struct fsxattr begins with its flags; FS_XFLAG_NODUMP is 0x80, FS_NODUMP_FL 0x40.
def test_a_32_bit_program_gets_the_flags_of_struct_fsxattr(volume: Path, tmp_path: Path) -> None:
    path = volume / "nodump"
    path.touch()
    programs.run("chattr", "+d", path)
    handle = os.open(path, os.O_RDONLY)
    try:
        error, answer = asked(tmp_path, handle, ioctl.FS_IOC_FSGETXATTR)

        assert (error, int.from_bytes(answer[:4], "little")) == (0, ioctl.fsxattr(handle).xflags)
        assert ioctl.fsxattr(handle).xflags & 0x80
    finally:
        os.close(handle)


def test_a_32_bit_program_learns_a_devices_size(volume: Path, tmp_path: Path) -> None:
    (device,) = loop.loops_of(tmp_path / "volume.img")
    handle = os.open(device, os.O_RDONLY)
    try:
        error, answer = asked(tmp_path, handle, NARROW.device_size)

        assert (error, int.from_bytes(answer, "little")) == (0, ioctl.device_size(handle))
        # Linux block/ioctl.c, compat_blkdev_ioctl: only the 32-bit number.
        assert asked(tmp_path, handle, 0x80081272)[0] == errno.ENOTTY
    finally:
        os.close(handle)


def test_flags_are_set_as_they_are_read(volume: Path) -> None:
    path = volume / "kept"
    path.touch()
    handle = os.open(path, os.O_RDONLY)
    try:
        nodump = 0x40  # FS_NODUMP_FL
        ioctl.set_inode_flags(handle, ioctl.inode_flags(handle) | nodump)

        assert b"d" in programs.run("lsattr", path).split()[0]
        assert ioctl.inode_flags(handle) & nodump
    finally:
        os.close(handle)
