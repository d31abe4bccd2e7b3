"""Names and paths are bytes, and are checked where they enter (FAULTS S20, S25, S36)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.model import paths
from holdstill.model.paths import BoardPath

NAMES = st.binary(min_size=1, max_size=255).filter(
    lambda n: n not in {b".", b".."} and b"/" not in n and b"\0" not in n
)


@given(name=NAMES)
def test_any_other_bytes_are_a_name(name: bytes) -> None:
    assert paths.check_name(name) == name
    assert paths.check_path(name) == name


@pytest.mark.parametrize("name", [b"", b".", b"..", b"a/b", b"/", b"a\0b", b"\0", b"x" * 256])
def test_s25_these_are_no_names(name: bytes) -> None:
    with pytest.raises(SecurityError, match="not a file name"):
        paths.check_name(name)


@pytest.mark.parametrize(
    "path", [b"/etc", b"../x", b"a/../b", b"a//b", b"a/", b"/", b"./a", b"a/./b", b"a\0/b"]
)
def test_s25_these_are_no_paths(path: bytes) -> None:
    with pytest.raises(SecurityError):
        paths.check_path(path)


@pytest.mark.parametrize(
    "path", [b"", b"a", b"...", b"a/ b", b"a\\b", b"-a", b"a\nb", b"\xff/\xfe", "é".encode()]
)
def test_these_are_paths(path: bytes) -> None:
    assert paths.check_path(path) == path


def test_s20_length_and_depth_end_at_their_limits() -> None:
    longest = b"/".join([*[b"x" * 255] * 15, b"x" * 127, b"x" * 128])
    deepest = b"/".join([b"d"] * 255)
    assert len(longest) == 4096  # limits.h of Linux: PATH_MAX

    assert paths.check_path(longest) == longest
    assert paths.check_path(deepest) == deepest
    for path in (longest + b"x", deepest + b"/d"):
        with pytest.raises(SecurityError, match="too long or too deep"):
            paths.check_path(path)


@given(parts=st.lists(NAMES, max_size=5))
def test_joining_and_splitting_are_opposites(parts: list[bytes]) -> None:
    path = b""
    for part in parts:
        path = paths.join(path, part)

    directory, name = paths.split(path)

    assert path == b"/".join(parts)
    assert paths.join(directory, name) == path if path else (directory, name) == (b"", b"")


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        (b"reading.log", "reading.log"),
        ("höhe 🌊".encode(), "höhe 🌊"),
        (b"new\nline", r"new\nline"),
        (b"\x1b[31mred", r"\x1b[31mred"),
        (b"bad\xff", r"bad\xff"),
        (b"\xe2\x80\xaetxt.exe", r"\u202etxt.exe"),
        (b"\x00", r"\x00"),
        (b"\xc2\x9b2J", r"\x9b2J"),
    ],
)
def test_s36_names_cannot_play_tricks_on_a_terminal(raw: bytes, shown: str) -> None:
    assert paths.display(raw) == shown


@given(raw=st.binary())
def test_s36_whatever_is_shown_is_printable(raw: bytes) -> None:
    assert paths.display(raw).isprintable()


def test_a_path_on_the_board_is_not_one_of_this_machine() -> None:
    root = BoardPath(b"/")

    below = root / b"etc" / b"fstab"

    assert below == BoardPath(b"/etc/fstab")
    assert str(below) == "/etc/fstab"
    assert not hasattr(below, "__fspath__")


def test_paths_on_the_board_have_the_order_of_their_bytes() -> None:
    raws = [b"/a", b"/a/b", b"/\xff", b"/B"]

    assert [path.raw for path in sorted(map(BoardPath, raws))] == sorted(raws)
