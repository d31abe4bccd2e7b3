"""What is kept of struct fsxattr. Values: linux/fs.h, FS_XFLAG_* and FS_*_FL."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.entries import KEPT_FLAGS, KEPT_XFLAGS, NO_XFLAGS, Xflags
from holdstill.system import fsxattr
from holdstill.system.ioctl import FsXattr

REALTIME, PREALLOC, RTINHERIT, HASATTR = 0x1, 0x2, 0x100, 0x80000000
PROJINHERIT, DAX = (0x200, 0x20000000), (0x8000, 0x02000000)
"""Each as FS_XFLAG_* and as FS_*_FL."""
IMMUTABLE, APPEND, SYNC, NOATIME, NODUMP = 0x8, 0x10, 0x20, 0x40, 0x80
NOSYMLINKS, EXTSIZE, EXTSZINHERIT, NODEFRAG, FILESTREAM, COWEXTSIZE = (
    0x400, 0x800, 0x1000, 0x2000, 0x4000, 0x10000,
)  # fmt: skip
WORDS = st.integers(0, 2**32 - 1)


def test_flags_that_only_the_struct_has_are_kept() -> None:
    wanted = NOSYMLINKS | EXTSIZE | EXTSZINHERIT | NODEFRAG | FILESTREAM | COWEXTSIZE

    assert wanted == KEPT_XFLAGS
    assert fsxattr.kept_xflags(FsXattr(0xFFFFFFFF, 65536, 7, 4096)) == Xflags(wanted, 65536, 4096)


# ioctl_xfs_fsgetxattr(2): the sizes count with their flags only; older kernels return stale ones.
@pytest.mark.parametrize(
    ("xflags", "kept"),
    [
        (0, NO_XFLAGS),
        (REALTIME | PREALLOC | RTINHERIT | HASATTR | IMMUTABLE | NODUMP, NO_XFLAGS),
        (EXTSIZE, Xflags(EXTSIZE, 65536, 0)),
        (EXTSZINHERIT, Xflags(EXTSZINHERIT, 65536, 0)),
        (COWEXTSIZE, Xflags(COWEXTSIZE, 0, 4096)),
        (NODEFRAG, Xflags(NODEFRAG, 0, 0)),
    ],
)
def test_a_size_without_its_flag_is_none(xflags: int, kept: Xflags) -> None:
    assert fsxattr.kept_xflags(FsXattr(xflags, 65536, 7, 4096)) == kept


@pytest.mark.parametrize(("xflag", "flag"), [PROJINHERIT, DAX])
def test_what_both_calls_have_is_kept_as_one_of_them(xflag: int, flag: int) -> None:
    assert fsxattr.kept_flags(FsXattr(xflag)) == flag
    assert fsxattr.kept_flags(FsXattr(0xFFFFFFFF & ~xflag)) & flag == 0
    assert flag & KEPT_FLAGS & fsxattr.FLAGS_AS_XFLAGS == flag
    made = fsxattr.with_kept(FsXattr(), project=0, flags=flag, xflags=NO_XFLAGS)
    assert made == FsXattr(xflag)


@given(before=st.builds(FsXattr, WORDS, WORDS, WORDS, WORDS), project=WORDS, flags=WORDS)
def test_what_is_set_is_read_again_and_the_rest_stays(
    before: FsXattr, project: int, flags: int
) -> None:
    wanted = Xflags(EXTSIZE | NODEFRAG, 65536, 0)

    made = fsxattr.with_kept(before, project=project, flags=flags, xflags=wanted)

    assert fsxattr.kept_xflags(made) == wanted
    assert fsxattr.kept_flags(made) == flags & fsxattr.FLAGS_AS_XFLAGS
    assert made.project == project
    untouched = 0xFFFFFFFF & ~KEPT_XFLAGS & ~PROJINHERIT[0] & ~DAX[0]
    assert made.xflags & untouched == before.xflags & untouched
