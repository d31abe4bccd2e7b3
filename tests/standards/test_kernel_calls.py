"""Numbers and promises of the kernel's interface: linux/fs.h, linux/msdos_fs.h and openat2(2)."""

from __future__ import annotations

import errno
import os
import struct
from typing import TYPE_CHECKING

import pytest

from holdstill.system import files, ioctl, libc

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

# asm-generic/ioctl.h: direction in bits 30-31, size from bit 16, type from bit 8, number from 0.
NONE, WRITE, READ = 0, 1, 2
INT, LONG, SIZE_T = (struct.calcsize(kind) for kind in "ilN")
# linux/fs.h, struct fsxattr: five __u32 and eight bytes; xfs_fs.h, struct xfs_bulk_ireq: a __u64,
# four __u32, five __u64. Neither has a long, a pointer, or a gap: they are the same in 32 bits.
FSXATTR, XFS_BULK_REQUEST = 5 * 4 + 8, 8 + 4 * 4 + 5 * 8


def _ioc(direction: int, kind: str, number: int, size: int) -> int:
    code = int(kind, 16) if kind.startswith("0x") else ord(kind)
    return direction << 30 | size << 16 | code << 8 | number


@pytest.mark.parametrize(
    ("constant", "direction", "kind", "number", "size"),
    [
        (ioctl.FIFREEZE, READ | WRITE, "X", 119, INT),
        (ioctl.FITHAW, READ | WRITE, "X", 120, INT),
        (ioctl.BLKFLSBUF, NONE, "0x12", 97, 0),
        (ioctl.BLKDISCARD, NONE, "0x12", 119, 0),
        (ioctl.BLKGETSIZE64, READ, "0x12", 114, SIZE_T),
        (ioctl.FS_IOC_GETFLAGS, READ, "f", 1, LONG),
        (ioctl.FS_IOC_SETFLAGS, WRITE, "f", 2, LONG),
        (ioctl.FS_IOC_GETVERSION, READ, "v", 1, LONG),
        (ioctl.FAT_IOCTL_GET_ATTRIBUTES, READ, "r", 0x10, INT),
        (ioctl.FS_IOC_FSGETXATTR, READ, "X", 31, FSXATTR),
        (ioctl.FS_IOC_FSSETXATTR, WRITE, "X", 32, FSXATTR),
        (ioctl.XFS_IOC_BULKSTAT, READ, "X", 127, XFS_BULK_REQUEST),
    ],
)
def test_ioctl_numbers_are_what_the_macros_give(
    constant: int, direction: int, kind: str, number: int, size: int
) -> None:
    assert constant == _ioc(direction, kind, number, size)


# A long and a size_t have 4 bytes on 32-bit Arm, x86 and RISC-V, 8 on the 64-bit ones (the data
# models ILP32 and LP64 of their ABIs); tests/root/test_ioctl.py runs a program of the former.
@pytest.mark.parametrize(
    ("word", "numbers"),
    [
        (4, (0x80046601, 0x40046602, 0x80047601, 0x80041272)),
        (8, (0x80086601, 0x40086602, 0x80087601, 0x80081272)),
    ],
)
def test_some_numbers_differ_between_32_and_64_bits(word: int, numbers: tuple[int, ...]) -> None:
    assert ioctl.word_sized_requests(word) == numbers


# xfs_fs.h, struct xfs_bulkstat.
def test_structs_of_projects_have_their_fields_where_the_headers_say() -> None:
    answer = ioctl._XFS_BULKSTAT

    assert ioctl._FSXATTR.size == FSXATTR
    assert ioctl._XFS_BULK_REQUEST.size == XFS_BULK_REQUEST
    # bs_ino to bs_btime are eight of 8 bytes; bs_gen, bs_uid, bs_gid come before bs_projectid.
    assert answer.size == 192
    assert answer.unpack(bytes(8 * 8 + 3 * 4) + b"\x98\xba\xdc\xfe" + bytes(112))[1] == 0xFEDCBA98
    assert answer.unpack((9).to_bytes(8, "little") + bytes(184))[0] == 9


# Linux arch/x86/entry/syscalls/syscall_{32,64}.tbl, arch/arm/tools/syscall.tbl and
# scripts/syscall.tbl.
# A 64-bit kernel tells a 32-bit program its own machine, unless setarch(8) has it say otherwise.
@pytest.mark.parametrize(
    ("machine", "word", "numbers"),
    [
        ("x86_64", 8, (251, 96)),
        ("aarch64", 8, (30, 169)),
        ("riscv64", 8, (30, 169)),
        ("x86_64", 4, (289, 78)),
        ("i686", 4, (289, 78)),
        ("aarch64", 4, (314, 78)),
        ("armv8l", 4, (314, 78)),
        ("armv7l", 4, (314, 78)),
        ("armv6l", 4, (314, 78)),
    ],
)
def test_system_calls_have_the_numbers_of_the_programs_own_width(
    machine: str, word: int, numbers: tuple[int, int]
) -> None:
    assert libc.call_numbers(machine, word) == numbers


@pytest.mark.parametrize(("machine", "word"), [("riscv64", 4), ("ppc64le", 8)])
def test_a_machine_whose_numbers_are_not_known_has_no_such_call(machine: str, word: int) -> None:
    with pytest.raises(OSError, match=os.strerror(errno.ENOSYS)):
        libc.call_numbers(machine, word)


# The same numbers as they stand in the published text of linux/fs.h, computed once by hand.
def test_the_best_known_ioctl_numbers_are_these() -> None:
    assert (ioctl.FIFREEZE, ioctl.FITHAW) == (0xC0045877, 0xC0045878)
    assert ioctl.BLKFLSBUF == 0x1261


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[int]:
    (tmp_path / "top" / "sub").mkdir(parents=True)
    (tmp_path / "top" / "sub" / "file").write_bytes(b"inside")
    (tmp_path / "top" / "link").symlink_to("sub")
    (tmp_path / "top" / "sub" / "out").symlink_to("/etc/passwd")
    (tmp_path / "outside").write_bytes(b"outside")
    with files.opened(tmp_path / "top", os.O_RDONLY | os.O_DIRECTORY) as handle:
        yield handle


def _by_components(top: int, path: bytes, flags: int) -> int:
    """Open as on kernels before 5.6, which have no openat2."""
    return files._open_by_component(top, path, flags, 0)


@pytest.mark.parametrize("opener", [files.open_beneath, _by_components])
@pytest.mark.parametrize("path", [b"sub/file"])
def test_a_plain_path_opens(
    folder: int, opener: Callable[[int, bytes, int], int], path: bytes
) -> None:
    handle = opener(folder, path, os.O_RDONLY)

    assert os.read(handle, 10) == b"inside"
    os.close(handle)


# openat2(2), RESOLVE_BENEATH, RESOLVE_NO_SYMLINKS: EXDEV for a way out, ELOOP for a symlink.
@pytest.mark.parametrize(
    ("path", "number"),
    [
        (b"../outside", errno.EXDEV),
        (b"/etc/passwd", errno.EXDEV),
        (b"sub/../../outside", errno.EXDEV),
        (b"link/file", errno.ELOOP),
        (b"sub/out", errno.ELOOP),
        (b"sub/nothing", errno.ENOENT),
        (b"sub/file/below", errno.ENOTDIR),
    ],
)
def test_a_way_out_is_refused_with_the_documented_error(
    folder: int, path: bytes, number: int
) -> None:
    with pytest.raises(OSError, match=os.strerror(number)):
        _opened_for_sure(folder, path)


def _opened_for_sure(top: int, path: bytes) -> int:
    """Open a path; openat2(2): EAGAIN when a rename somewhere made a ".." doubtful, so again."""
    while True:
        try:
            return files.open_beneath(top, path, os.O_RDONLY)
        except BlockingIOError:
            continue


@pytest.mark.parametrize(
    "path", [b"../outside", b"/etc/passwd", b"sub/../../outside", b"link/file", b"sub/out"]
)
def test_older_kernels_refuse_the_same_ways_out(folder: int, path: bytes) -> None:
    wanted = (errno.EXDEV, errno.ELOOP, errno.ENOTDIR)

    with pytest.raises(OSError, match="|".join(os.strerror(number) for number in wanted)):
        _by_components(folder, path, os.O_RDONLY)


# openat2(2): struct open_how is three u64. linux/openat2.h: the values of the resolve flags.
def test_open_how_is_24_bytes_and_the_flags_are_these() -> None:
    assert struct.calcsize("QQQ") == 24
    assert libc.RESOLVE_NO_MAGICLINKS == 0x02
    assert libc.RESOLVE_NO_SYMLINKS == 0x04
    assert libc.RESOLVE_BENEATH == 0x08
