"""Patterns of paths. Examples of glob(7); of POSIX.1-2017, XCU 2.13, from memory."""

import fnmatch
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import path_pattern


@pytest.mark.parametrize(
    ("pattern", "path", "expected"),
    [
        (b"/etc/hostname", b"/etc/hostname", True),
        (b"/etc/*", b"/etc/hostname", True),
        (b"/etc/*", b"/etc/ssh/key", False),
        (b"/etc/?", b"/etc//", False),
        (b"*", b".profile", True),
        (b"[a-c]x", b"bx", True),
        (b"[a-c]x", b"dx", False),
        (b"[!a-c]x", b"dx", True),
        (b"[^a-c]x", b"ax", False),
        (b"[!a]x", b"/x", False),
        (b"[]a]", b"]", True),
        (b"[]-a]", b"^", True),
        (b"[][!]", b"!", True),
        (b"[--0]", b".", True),
        (b"[--0]", b"/", False),
        (b"[c-a]", b"b", False),
        (b"[ab", b"[ab", True),
        (b"\\*", b"*", True),
        (b"\\*", b"x", False),
        (b"a.b", b"axb", False),
        (b"?", b"\xff", True),
        (b"*", b"two\nlines\xfe", True),
        (b"x\\", b"x\\", True),
    ],
)
def test_a_pattern_matches_as_a_shell_does(pattern: bytes, path: bytes, *, expected: bool) -> None:
    assert (path_pattern.compiled(pattern).fullmatch(path) is not None) is expected


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        (b"/etc/hostname", b"/etc/hostname"),
        (b"/a\\*\\[", b"/a*["),
        (b"/a[", b"/a["),
        (b"/etc/*", None),
        (b"/a?", None),
        (b"/[a]", None),
    ],
)
def test_a_pattern_may_mean_one_path(pattern: bytes, path: bytes | None) -> None:
    assert path_pattern.literal(pattern) == path


@given(st.binary())
def test_an_escaped_path_means_itself(path: bytes) -> None:
    pattern = path_pattern.escaped(path)

    assert path_pattern.literal(pattern) == path
    assert path_pattern.compiled(pattern).fullmatch(path)


NARROW = st.text("ab/*?", max_size=12).map(str.encode)


@given(NARROW, st.text("ab/", max_size=12).map(str.encode))
def test_it_matches_as_the_library_does(pattern: bytes, path: bytes) -> None:
    # Python's fnmatch knows no slashes: each name is matched by itself. It also takes \\ as it is.
    names, wanted = path.split(b"/"), pattern.split(b"/")
    expected = len(names) == len(wanted) and all(
        map(fnmatch.fnmatchcase, map(bytes.decode, names), map(bytes.decode, wanted))
    )

    assert bool(path_pattern.compiled(pattern).fullmatch(path)) is expected


def test_many_stars_take_no_more_time_than_few() -> None:
    matches = path_pattern.compiled(b"*a" * 60 + b"b").fullmatch
    begun = time.perf_counter()

    assert not any(matches(b"a" * 255) for _ in range(100))
    assert time.perf_counter() - begun < 5  # trying every place of each would take years
