"""Numbers of the kernel's interface, as a C compiler makes them of this machine's own headers."""

from __future__ import annotations

import platform
import shutil
from typing import TYPE_CHECKING, NamedTuple

import pytest

from holdstill.board import fanotify, inode_watch, readiness
from holdstill.system import file_status, fscrypt, ioctl, libc
from support import programs

if TYPE_CHECKING:
    from collections.abc import Mapping

HEADERS = ("stddef.h", "linux/fs.h", "linux/fiemap.h", "linux/btrfs.h", "linux/msdos_fs.h",
           "linux/loop.h", "linux/btrfs_tree.h", "linux/fanotify.h", "linux/inotify.h",
           "linux/openat2.h", "linux/landlock.h", "linux/timex.h", "linux/fscrypt.h",
           "linux/stat.h", "asm/statfs.h", "asm/fcntl.h",
           "asm/unistd.h")  # fmt: skip
ASM = "/usr/include/x86_64-linux-gnu"
SAME_EVERYWHERE = {
    name: getattr(ioctl, name)
    for name in (
        "FIFREEZE", "FITHAW", "BLKFLSBUF", "BLKDISCARD", "FS_IOC_FIEMAP",
        "BTRFS_IOC_TREE_SEARCH_V2", "BTRFS_IOC_FORGET_DEV", "BTRFS_IOC_INO_LOOKUP",
        "BTRFS_IOC_DEV_INFO", "BTRFS_IOC_FS_INFO",
        "BTRFS_IOC_SUBVOL_CREATE", "BTRFS_IOC_DEFAULT_SUBVOL", "BTRFS_IOC_SUBVOL_SETFLAGS",
        "FAT_IOCTL_GET_ATTRIBUTES", "FS_IOC_FSGETXATTR", "FS_IOC_FSSETXATTR",
        "LOOP_GET_STATUS64", "LOOP_CONFIGURE", "LOOP_CTL_GET_FREE",
        "FS_IOC_GET_ENCRYPTION_POLICY_EX", "FS_IOC_GET_ENCRYPTION_KEY_STATUS",
    )
}  # fmt: skip


SHAPES = {
    "sizeof(struct fsxattr)": ioctl._FSXATTR.size,
    "sizeof(struct fiemap)": ioctl._FIEMAP_HEAD.size,
    "sizeof(struct fiemap_extent)": ioctl._FIEMAP_EXTENT.size,
    "sizeof(struct loop_config)": ioctl._LOOP_CONFIG.size,
    "sizeof(struct loop_info64)": 232,
    "offsetof(struct loop_info64, lo_inode)": 8,
    "offsetof(struct btrfs_ioctl_search_args_v2, buf_size)": ioctl._BTRFS_ROOM_AT,
    "offsetof(struct btrfs_ioctl_search_args_v2, buf)": ioctl._BTRFS_ITEMS_AT,
    "offsetof(struct btrfs_ioctl_search_key, nr_items)": ioctl._BTRFS_COUNT_AT,
    "sizeof(struct btrfs_ioctl_search_header)": ioctl._BTRFS_HEADER.size,
    "sizeof(struct btrfs_ioctl_vol_args)": ioctl._BTRFS_PATH.size,
    "offsetof(struct btrfs_ioctl_dev_info_args, path)": ioctl._BTRFS_DEVICE_PATH_AT,
    "offsetof(struct btrfs_ioctl_ino_lookup_args, name)": 16,
    "offsetof(struct btrfs_root_item, flags)": ioctl._BTRFS_FLAGS_AT,
    "offsetof(struct btrfs_root_item, parent_uuid)": ioctl._BTRFS_PARENT_UUID.start,
    "sizeof(struct btrfs_root_ref)": ioctl._BTRFS_ROOT_REF.size,
    "sizeof(struct btrfs_dir_item)": ioctl._BTRFS_DIR_ITEM.size,
    "sizeof(struct fanotify_event_metadata)": fanotify._EVENT.size,
    "offsetof(struct fanotify_event_metadata, mask)": 8,
    # What follows is struct file_handle, of open_by_handle_at(2): bytes and type of the handle.
    "offsetof(struct fanotify_event_info_fid, handle)": fanotify._INFO.size - 2 * 4,
    "sizeof(struct inotify_event)": inode_watch._EVENT.size,
    "sizeof(struct open_how)": 24,
    "sizeof(struct landlock_path_beneath_attr)": 12,
    "sizeof(struct fscrypt_get_policy_ex_arg)": fscrypt._POLICY.size,
    "offsetof(struct fscrypt_policy_v2, master_key_identifier)": 8,
    "sizeof(struct fscrypt_get_key_status_arg)": fscrypt._STATUS.size,
    "offsetof(struct fscrypt_get_key_status_arg, status)": fscrypt._STATUS.size - 64,
    "sizeof(struct statx)": 256,
    "offsetof(struct statx, stx_mode)": 28,
    "offsetof(struct statx, stx_atime)": 64,
    "offsetof(struct statx, stx_ctime)": 96,
    "offsetof(struct statx, stx_mtime)": 112,
    "offsetof(struct statx, stx_dev_minor)": file_status._STATX.size - 4,
    "offsetof(struct statfs, f_type)": 0,
}
"""What we read and write of C structures, wherever it is in them, is there in every width."""


class Width(NamedTuple):
    """A compiler, what it compiles for, and the size of a long there in bytes."""

    compiler: tuple[str, ...]
    machine: str
    word: int


# asm/ of this machine's headers has both widths of x86; a cross compiler has headers of its own.
_HERE = ("-idirafter", "/usr/include/x86_64-linux-gnu")
WIDTHS = {
    "x86-32": Width(("gcc", "-m32", *_HERE), "x86_64", 4),
    "x86-64": Width(("gcc", "-m64", *_HERE), "x86_64", 8),
    "arm-32": Width(("arm-linux-gnueabihf-gcc",), "armv7l", 4),
}


def compiled(width: Width, wanted: Mapping[str, int]) -> None:
    """Compile a program that is none unless the macros and operators have these values."""
    lines = [f"#include <{name}>" for name in HEADERS]
    lines += [
        f'_Static_assert((unsigned int)({name}) == {value:#x}u, "{name}");'
        for name, value in wanted.items()
    ]
    # Asking for the syntax alone needs no C library of that width.
    words = (*width.compiler, "-ffreestanding", "-fsyntax-only", "-x", "c", "-")
    programs.run(*words, stdin="\n".join(lines).encode())


@pytest.fixture(params=WIDTHS)
def width(request: pytest.FixtureRequest) -> Width:
    chosen = WIDTHS[request.param]
    if platform.machine() != "x86_64" or not shutil.which(chosen.compiler[0]):
        pytest.skip("a compiler for both widths is one for x86; that for Arm is another one")
    return chosen


def test_the_headers_give_our_numbers(width: Width) -> None:
    own = ioctl.word_sized_requests(width.word)
    calls = libc.call_numbers(width.machine, width.word)

    compiled(width, {
        **SAME_EVERYWHERE,
        "FS_IOC_GETFLAGS": own.get_flags,
        "FS_IOC_SETFLAGS": own.set_flags,
        "FS_IOC_GETVERSION": own.get_version,
        "BLKGETSIZE64": own.device_size,
        "__NR_ioprio_set": calls.ioprio_set,
        "__NR_ioprio_get": calls.ioprio_set + 1,
        "__NR_gettimeofday": calls.gettimeofday,
        "__NR_openat2": libc._OPENAT2,
        "__NR_landlock_create_ruleset": libc._LANDLOCK_CREATE_RULESET,
        **({"__NR_utimensat_time64": libc._UTIMENSAT_TIME64} if width.word == 4 else {}),
    })  # fmt: skip


def test_the_headers_give_our_structures(width: Width) -> None:
    compiled(width, {
        **SHAPES,
        "offsetof(struct timex, status)": libc._TIMEX_STATUS * width.word,
    })  # fmt: skip


def test_a_lock_on_a_file_is_asked_about_as_the_headers_say() -> None:
    arm = WIDTHS["arm-32"]
    if not shutil.which(arm.compiler[0]):
        pytest.skip("there is no compiler for 32-bit Arm")
    # On Arm a number of 64 bits is aligned to 8 bytes, as on this machine (AAPCS, "Fundamental
    # data types"), so that the format means the same there.
    assert readiness._FLOCK.size == 32

    compiled(arm, {
        "sizeof(struct flock64)": 32,
        "offsetof(struct flock64, l_start)": 8,
        "offsetof(struct flock64, l_len)": 16,
        "offsetof(struct flock64, l_pid)": 24,
    })  # fmt: skip


def test_a_wrong_number_is_no_program() -> None:
    with pytest.raises(AssertionError, match="FIFREEZE"):
        compiled(WIDTHS["x86-64"], {"FIFREEZE": ioctl.FITHAW})
