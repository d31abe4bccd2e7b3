"""Patterns of paths. Examples of glob(7); of POSIX.1-2017, XCU 2.13, from memory."""

import pytest

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


def test_what_has_nothing_special_is_plain() -> None:
    assert path_pattern.is_plain(b"/etc/hostname")
    assert not path_pattern.is_plain(b"/etc/*")
