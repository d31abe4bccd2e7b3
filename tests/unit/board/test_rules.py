from __future__ import annotations

import fnmatch

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board.rules import DEFAULT_EXCLUDES, Keep, Rules

PATTERNS = st.text("ab*?.", min_size=1, max_size=6).filter(lambda p: p not in {".", ".."})
NAMES = st.text("abc.", min_size=1, max_size=6).filter(lambda n: n not in {".", ".."})


@pytest.mark.parametrize(
    ("path", "keep"),
    [
        (b"", Keep.WHOLE),
        (b"etc/passwd", Keep.WHOLE),
        (b"tmp", Keep.HOLLOW),
        (b"tmp/x", Keep.NOTHING),
        (b"tmp/x/y", Keep.NOTHING),
        (b"tmpfiles", Keep.WHOLE),
        (b"srv/tmp", Keep.WHOLE),
        (b"var/tmp", Keep.HOLLOW),
        (b"var/cache/apt/archives", Keep.WHOLE),
        (b"var/cache/apt/archives/lock", Keep.WHOLE),
        (b"var/cache/apt/archives/rsync_3.2.7-1_arm64.deb", Keep.NOTHING),
        (b"var/cache/apt/archives/partial", Keep.WHOLE),
        (b"var/cache/apt/archives/partial/x", Keep.NOTHING),
    ],
)
def test_the_defaults_leave_out_what_nobody_misses(path: bytes, keep: Keep) -> None:
    rules = Rules(exclude=DEFAULT_EXCLUDES)

    assert rules.keep(path) is keep


def test_a_wildcard_does_not_cross_a_slash() -> None:
    rules = Rules(exclude=("/srv/*/cache",))

    assert rules.keep(b"srv/tide/cache") is Keep.HOLLOW
    assert rules.keep(b"srv/tide/old/cache") is Keep.WHOLE
    assert rules.keep(b"srv/cache") is Keep.WHOLE


def test_two_stars_match_any_depth() -> None:
    rules = Rules(exclude=("/home/**/*.bak",))

    assert rules.keep(b"home/a.bak") is Keep.NOTHING
    assert rules.keep(b"home/a/b/c.bak") is Keep.NOTHING
    assert rules.keep(b"etc/a.bak") is Keep.WHOLE


def test_two_stars_at_the_end_are_all_that_is_below() -> None:
    rules = Rules(exclude=("/home/**",))

    assert rules.keep(b"home") is Keep.WHOLE
    assert rules.keep(b"home/a") is Keep.NOTHING
    assert rules.keep(b"home/a/b") is Keep.NOTHING


def test_patterns_are_those_of_the_board_and_paths_those_of_the_file_system() -> None:
    rules = Rules(exclude=("/boot/firmware/overlays", "/tmp"), mount=b"/boot/firmware")  # noqa: S108

    assert rules.keep(b"overlays") is Keep.HOLLOW
    assert rules.keep(b"tmp") is Keep.WHOLE


def test_what_is_included_is_kept_with_the_way_to_it() -> None:
    rules = Rules(exclude=("/srv/*", "/var/tmp"), include=("/srv/media/keep", "/var/tmp/*/log"))  # noqa: S108

    assert rules.keep(b"srv/media") is Keep.PASSAGE
    assert rules.keep(b"srv/media/keep") is Keep.WHOLE
    assert rules.keep(b"srv/media/keep/below/it") is Keep.WHOLE
    assert rules.keep(b"srv/media/other") is Keep.NOTHING
    assert rules.keep(b"srv/other") is Keep.NOTHING
    assert rules.keep(b"var/tmp") is Keep.PASSAGE
    assert rules.keep(b"var/tmp/x/log") is Keep.WHOLE
    assert rules.keep(b"var/tmp/x/other") is Keep.NOTHING


def test_an_include_with_two_stars_opens_the_way_to_everything_below() -> None:
    rules = Rules(exclude=("/srv/*",), include=("/srv/**/keep",))

    assert rules.keep(b"srv/a/b/c") is Keep.PASSAGE
    assert rules.keep(b"srv/a/b/keep/x") is Keep.WHOLE


def test_a_plain_pattern_below_what_is_left_out_keeps_nothing() -> None:
    rules = Rules(exclude=("/tmp", "/tmp/systemd"))  # noqa: S108

    assert rules.keep(b"tmp/systemd") is Keep.NOTHING


def test_names_that_are_no_text_and_newlines_are_matched_as_bytes() -> None:
    rules = Rules(exclude=("/srv/*.log", "/srv/\udcff"))

    assert rules.keep(b"srv/a\nb.log") is Keep.NOTHING
    assert rules.keep(b"srv/\xff") is Keep.HOLLOW
    assert rules.keep(b"srv/a\nb") is Keep.WHOLE


@pytest.mark.parametrize(
    ("pattern", "name", "matches"),
    [
        # The examples of POSIX.1-2017, Shell & Utilities 2.13.1, and its rule for "[!".
        ("[ab]c", b"ac", True),
        ("[ab]c", b"cc", False),
        ("[!ab]c", b"cc", True),
        ("[!ab]c", b"ac", False),
        ("[a-c]x", b"bx", True),
        ("[]]x", b"]x", True),
        ("a[", b"a[", True),
        ("a.c", b"abc", False),
        ("a+", b"aa", False),
        ("(a)", b"(a)", True),
        ("[[]x", b"[x", True),
        ("[*]x", b"*x", True),
        ("[*]x", b"ax", False),
    ],
)
def test_a_component_is_matched_as_a_shell_does(pattern: str, name: bytes, matches: bool) -> None:  # noqa: FBT001
    rules = Rules(exclude=(f"/d/{pattern}",))

    assert (rules.keep(b"d/" + name) is not Keep.WHOLE) is matches


@given(PATTERNS, NAMES)
def test_stars_and_question_marks_agree_with_the_standard_library(pattern: str, name: str) -> None:
    rules = Rules(exclude=(f"/d/{pattern}",))

    is_out = rules.keep(b"d/" + name.encode()) is not Keep.WHOLE

    assert is_out is fnmatch.fnmatchcase(name, pattern)


def test_swap_files_are_known_by_their_path_on_the_board() -> None:
    rules = Rules(swap_files=frozenset({b"/var/swap"}))
    elsewhere = Rules(swap_files=frozenset({b"/var/swap"}), mount=b"/data")

    assert rules.is_swap_file(b"var/swap")
    assert not rules.is_swap_file(b"swap")
    assert not elsewhere.is_swap_file(b"var/swap")


def test_a_fingerprint_changes_with_every_rule() -> None:
    base = Rules(exclude=("/a",))

    others = [
        Rules(exclude=("/a",), include=("/a/b",)),
        Rules(exclude=("/b",)),
        Rules(exclude=("/a",), mount=b"/data"),
        Rules(exclude=("/a",), swap_files=frozenset({b"/swap"})),
    ]

    assert base.fingerprint == Rules(exclude=("/a",)).fingerprint
    assert len({base.fingerprint, *(rules.fingerprint for rules in others)}) == 5
