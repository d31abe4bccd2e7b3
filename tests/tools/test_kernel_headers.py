"""Numbers of the kernel's interface, as a C compiler makes them of this machine's own headers."""

from __future__ import annotations

import platform
from typing import TYPE_CHECKING

import pytest

from holdstill.system import ioctl, libc
from support import programs

if TYPE_CHECKING:
    from collections.abc import Mapping

HEADERS = ("stddef.h", "linux/fs.h", "linux/fiemap.h", "linux/btrfs.h", "linux/msdos_fs.h",
           "linux/loop.h", "asm/unistd.h")  # fmt: skip
ASM = "/usr/include/x86_64-linux-gnu"
SAME_EVERYWHERE = {
    name: getattr(ioctl, name)
    for name in (
        "FIFREEZE", "FITHAW", "BLKFLSBUF", "BLKDISCARD", "FS_IOC_FIEMAP",
        "BTRFS_IOC_TREE_SEARCH_V2", "BTRFS_IOC_FORGET_DEV", "BTRFS_IOC_INO_LOOKUP",
        "BTRFS_IOC_DEV_INFO", "BTRFS_IOC_FS_INFO",
        "BTRFS_IOC_SUBVOL_CREATE", "BTRFS_IOC_DEFAULT_SUBVOL", "BTRFS_IOC_SUBVOL_SETFLAGS",
        "FAT_IOCTL_GET_ATTRIBUTES", "FS_IOC_FSGETXATTR", "FS_IOC_FSSETXATTR",
        "LOOP_CONFIGURE", "LOOP_CTL_GET_FREE",
    )
}  # fmt: skip


def compiled(width: int, wanted: Mapping[str, int]) -> None:
    """Compile a program of so many bits that is none unless the macros have these values."""
    lines = [f"#include <{name}>" for name in HEADERS]
    lines += [
        f'_Static_assert((unsigned int)({name}) == {value:#x}u, "{name}");'
        for name, value in wanted.items()
    ]
    # Asking for the syntax alone needs no C library of that width; asm/ has both widths of x86.
    words = ("gcc", f"-m{width}", "-ffreestanding", "-idirafter", ASM, "-fsyntax-only", "-x", "c")
    programs.run(*words, "-", stdin="\n".join(lines).encode())


@pytest.mark.parametrize("width", [32, 64])
def test_the_headers_give_our_numbers(width: int) -> None:
    if platform.machine() != "x86_64":
        pytest.skip("a compiler for both widths is one for x86")
    own, calls = ioctl.word_sized_requests(width // 8), libc.call_numbers("x86_64", width // 8)

    compiled(width, {
        **SAME_EVERYWHERE,
        "FS_IOC_GETFLAGS": own.get_flags,
        "FS_IOC_SETFLAGS": own.set_flags,
        "FS_IOC_GETVERSION": own.get_version,
        "BLKGETSIZE64": own.device_size,
        "__NR_ioprio_set": calls.ioprio_set,
        "__NR_ioprio_get": calls.ioprio_set + 1,
        "__NR_gettimeofday": calls.gettimeofday,
    })  # fmt: skip


def test_a_wrong_number_is_no_program() -> None:
    with pytest.raises(AssertionError, match="FIFREEZE"):
        compiled(64, {"FIFREEZE": ioctl.FITHAW})
