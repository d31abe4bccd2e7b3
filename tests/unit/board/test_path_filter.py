from __future__ import annotations

import fnmatch

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board import path_filter
from holdstill.board.path_filter import DEFAULT_EXCLUDES, Choice, PathFilter
from holdstill.model import tree_views
from holdstill.model.tree_views import TreeView

PATTERNS = st.text("ab*?.", min_size=1, max_size=6).filter(lambda p: p not in {".", ".."})
NAMES = st.text("abc.", min_size=1, max_size=6).filter(lambda n: n not in {".", ".."})


@pytest.mark.parametrize(
    ("path", "keep"),
    [
        (b"", Choice.WHOLE),
        (b"etc/passwd", Choice.WHOLE),
        (b"tmp", Choice.HOLLOW),
        (b"tmp/x", Choice.NOTHING),
        (b"tmp/x/y", Choice.NOTHING),
        (b"tmpfiles", Choice.WHOLE),
        (b"srv/tmp", Choice.WHOLE),
        (b"var/tmp", Choice.HOLLOW),
        (b"var/cache/apt/archives", Choice.WHOLE),
        (b"var/cache/apt/archives/lock", Choice.WHOLE),
        (b"var/cache/apt/archives/rsync_3.2.7-1_arm64.deb", Choice.NOTHING),
        (b"var/cache/apt/archives/partial", Choice.WHOLE),
        (b"var/cache/apt/archives/partial/x", Choice.NOTHING),
    ],
)
def test_the_defaults_leave_out_what_nobody_misses(path: bytes, keep: Choice) -> None:
    rules = PathFilter(exclude=DEFAULT_EXCLUDES)

    assert rules.choose(path) is keep


def test_a_wildcard_does_not_cross_a_slash() -> None:
    rules = PathFilter(exclude=("/srv/*/cache",))

    assert rules.choose(b"srv/tide/cache") is Choice.HOLLOW
    assert rules.choose(b"srv/tide/old/cache") is Choice.WHOLE
    assert rules.choose(b"srv/cache") is Choice.WHOLE


def test_two_stars_match_any_depth() -> None:
    rules = PathFilter(exclude=("/home/**/*.bak",))

    assert rules.choose(b"home/a.bak") is Choice.NOTHING
    assert rules.choose(b"home/a/b/c.bak") is Choice.NOTHING
    assert rules.choose(b"etc/a.bak") is Choice.WHOLE


def test_two_stars_at_the_end_are_all_that_is_below() -> None:
    rules = PathFilter(exclude=("/home/**",))

    assert rules.choose(b"home") is Choice.WHOLE
    assert rules.choose(b"home/a") is Choice.NOTHING
    assert rules.choose(b"home/a/b") is Choice.NOTHING


def test_patterns_are_those_of_the_board_and_paths_those_of_the_file_system() -> None:
    boot = tree_views.at_top("/boot/firmware")
    rules = PathFilter(exclude=("/boot/firmware/overlays", "/tmp"), views=boot)  # noqa: S108

    assert rules.choose(b"overlays") is Choice.HOLLOW
    assert rules.choose(b"tmp") is Choice.WHOLE


def test_what_is_included_is_kept_with_the_way_to_it() -> None:
    rules = PathFilter(
        exclude=("/srv/*", "/var/tmp"),  # noqa: S108
        include=("/srv/media/keep", "/var/tmp/*/log"),  # noqa: S108
    )

    assert rules.choose(b"srv/media") is Choice.PASSAGE
    assert rules.choose(b"srv/media/keep") is Choice.WHOLE
    assert rules.choose(b"srv/media/keep/below/it") is Choice.WHOLE
    assert rules.choose(b"srv/media/other") is Choice.NOTHING
    assert rules.choose(b"srv/other") is Choice.NOTHING
    assert rules.choose(b"var/tmp") is Choice.PASSAGE
    assert rules.choose(b"var/tmp/x/log") is Choice.WHOLE
    assert rules.choose(b"var/tmp/x/other") is Choice.NOTHING


def test_an_include_with_two_stars_opens_the_way_to_everything_below() -> None:
    rules = PathFilter(exclude=("/srv/*",), include=("/srv/**/keep",))

    assert rules.choose(b"srv/a/b/c") is Choice.PASSAGE
    assert rules.choose(b"srv/a/b/keep/x") is Choice.WHOLE


def test_a_plain_pattern_below_what_is_left_out_keeps_nothing() -> None:
    rules = PathFilter(exclude=("/tmp", "/tmp/systemd"))  # noqa: S108

    assert rules.choose(b"tmp/systemd") is Choice.NOTHING


def test_names_that_are_no_text_and_newlines_are_matched_as_bytes() -> None:
    rules = PathFilter(exclude=("/srv/*.log", "/srv/\udcff"))

    assert rules.choose(b"srv/a\nb.log") is Choice.NOTHING
    assert rules.choose(b"srv/\xff") is Choice.HOLLOW
    assert rules.choose(b"srv/a\nb") is Choice.WHOLE


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
    rules = PathFilter(exclude=(f"/d/{pattern}",))

    assert (rules.choose(b"d/" + name) is not Choice.WHOLE) is matches


@given(PATTERNS, NAMES)
def test_stars_and_question_marks_agree_with_the_standard_library(pattern: str, name: str) -> None:
    rules = PathFilter(exclude=(f"/d/{pattern}",))

    is_out = rules.choose(b"d/" + name.encode()) is not Choice.WHOLE

    assert is_out is fnmatch.fnmatchcase(name, pattern)


def test_swap_files_are_known_by_their_path_on_the_board() -> None:
    rules = PathFilter(swap_files=frozenset({b"/var/swap"}))
    elsewhere = PathFilter(swap_files=frozenset({b"/var/swap"}), views=tree_views.at_top("/data"))

    assert rules.is_swap_file(b"var/swap")
    assert not rules.is_swap_file(b"swap")
    assert not elsewhere.is_swap_file(b"var/swap")


def test_a_fingerprint_changes_with_every_rule() -> None:
    base = PathFilter(exclude=("/a",))

    others = [
        PathFilter(exclude=("/a",), include=("/a/b",)),
        PathFilter(exclude=("/b",)),
        PathFilter(exclude=("/a",), views=tree_views.at_top("/data")),
        PathFilter(exclude=("/a",), swap_files=frozenset({b"/swap"})),
    ]

    assert base.fingerprint == PathFilter(exclude=("/a",)).fingerprint
    assert len({base.fingerprint, *(rules.fingerprint for rules in others)}) == 5


RUN_AND_HOME = (*tree_views.at_top("/run/data"), TreeView(inside="home", place="/home"))
SELF = (*tree_views.at_top("/"), *tree_views.at_top("/mnt/self"))
ONLY_A_FOLDER = (TreeView(inside="own", place="/mnt/x"),)
FOLDERS = (
    TreeView(inside="deploy/a", place="/"),
    TreeView(inside="state", place="/var"),
)


def seen_also(*more: tuple[str, str]) -> tuple[TreeView, ...]:
    return (*FOLDERS, *(TreeView(inside=inside, place=place) for inside, place in more))


@pytest.mark.parametrize(
    ("views", "exclude", "path", "choice"),
    [
        # Where a folder is bound a second time, below what is left out, has no say.
        (seen_also(("deploy/a/home", "/run/schroot/home")), (), b"deploy/a/home/pi", "WHOLE"),
        (seen_also(("state", "/run/state")), (), b"state/log", "WHOLE"),
        (seen_also(("state", "/run/state")), (), b"state/tmp/junk", "NOTHING"),
        (seen_also(("", "/run/whole")), (), b"deploy", "WHOLE"),
        (seen_also(("", "/run/whole")), (), b"deploy/a/etc/fstab", "WHOLE"),
        (seen_also(("", "/run/whole")), (), b"deploy/b/etc/fstab", "WHOLE"),
        (seen_also(("", "/run/whole")), (), b"deploy/a/tmp/junk", "NOTHING"),
        (seen_also(("deploy/a/home", "/srv/p/home")), ("/srv/p",), b"deploy/a/home/x", "WHOLE"),
        (seen_also(("deploy/a/home", "/srv/p")), ("/srv/p",), b"deploy/a/home/x", "WHOLE"),
        # What is mounted below /run or /tmp alone is somebody's all the same.
        (tree_views.at_top("/run/media/pi/DATA"), (), b"letter", "WHOLE"),
        (tree_views.at_top("/tmp/x"), (), b"letter", "WHOLE"),  # noqa: S108
        (RUN_AND_HOME, (), b"home/pi/letter", "WHOLE"),
        (RUN_AND_HOME, (), b"letter", "WHOLE"),
        # At /tmp itself it is what goes with each boot; and the owner's word counts.
        (tree_views.at_top("/tmp"), (), b"letter", "NOTHING"),  # noqa: S108
        (tree_views.at_top("/mnt/data"), ("/mnt",), b"letter", "NOTHING"),
        (tree_views.at_top("/mnt/data"), ("/mnt/data",), b"letter", "NOTHING"),
        (ONLY_A_FOLDER, ("/mnt/*",), b"own/key", "NOTHING"),
        (ONLY_A_FOLDER, ("/mnt/*",), b"own", "HOLLOW"),
        (ONLY_A_FOLDER, ("/mnt/*",), b"other/key", "WHOLE"),
        (ONLY_A_FOLDER, (), b"own/key", "WHOLE"),
        (RUN_AND_HOME, ("/run/data",), b"home/pi/letter", "WHOLE"),
        (RUN_AND_HOME, ("/run/data",), b"letter", "NOTHING"),
        # What the owner leaves out is left out wherever else it is seen.
        (seen_also(("state/own", "/mnt/x")), ("/var/own/k*",), b"state/own/key", "NOTHING"),
        # A folder that is mounted at a place of its own is there, whatever is left out elsewhere.
        (seen_also(("state/own", "/mnt/x")), ("/var/own/*",), b"state/own/key", "WHOLE"),
        (SELF, ("/mnt/self/*",), b"etc/fstab", "WHOLE"),
        (SELF, ("/mnt/*/*",), b"etc/fstab", "WHOLE"),
        (SELF, ("/mnt/*/*",), b"mnt/disk/letter", "NOTHING"),
        (SELF[::-1], ("/mnt/self/*",), b"etc/fstab", "WHOLE"),
        (SELF, ("/mnt/self/etc/*",), b"etc/fstab", "NOTHING"),
        (seen_also(("", "/sysroot")), ("/sysroot/deploy/a/*",), b"deploy/a/etc/fstab", "WHOLE"),
        (seen_also(("", "/sysroot")), ("/sysroot/*/*",), b"deploy/a/etc/fstab", "WHOLE"),
        (seen_also(("", "/sysroot")), ("/sysroot/*/*",), b"state/log", "WHOLE"),
        (seen_also(("", "/sysroot")), ("/sysroot/*",), b"deploy/b/etc/fstab", "NOTHING"),
        (seen_also(("state/own", "/mnt/x")), ("/var/own",), b"state/own/key", "WHOLE"),
        (seen_also(("deploy/b", "/mnt/b")), ("/mnt/*",), b"deploy/b/x", "WHOLE"),
        (
            (*tree_views.at_top("/data"), *tree_views.at_top("/mnt/data")),
            ("/mnt",), b"letter", "WHOLE",
        ),
        # The way to what is seen is kept.
        (
            (*tree_views.at_top("/sysroot"), TreeView(inside="os/x/data", place="/data")),
            ("/sysroot/os",), b"os/x", "PASSAGE",
        ),
        (
            (*tree_views.at_top("/sysroot"), TreeView(inside="os/x/data", place="/data")),
            ("/sysroot/os",), b"os/x/data/a", "WHOLE",
        ),
    ],
)  # fmt: skip
def test_what_is_seen_at_several_places(
    views: tuple[TreeView, ...], exclude: tuple[str, ...], path: bytes, choice: str
) -> None:
    rules = PathFilter(exclude=(*DEFAULT_EXCLUDES, *exclude), views=views)

    assert rules.choose(path).name == choice


WHOLE_TOO = (*tree_views.at_top("/mnt/whole"), TreeView(inside="deploy/a", place="/"))


@pytest.mark.parametrize(
    ("path", "choice"),
    [
        (b"deploy", "WHOLE"),
        (b"deploy/a", "WHOLE"),
        (b"deploy/a/tmp", "HOLLOW"),
        (b"deploy/a/run", "HOLLOW"),
        (b"deploy/a/var/tmp", "HOLLOW"),
        (b"deploy/b/etc", "WHOLE"),
    ],
)
def test_what_is_in_the_roots_file_system_is_needed_wherever_it_is_mounted_too(
    path: bytes, choice: str
) -> None:
    rules = PathFilter(exclude=(*DEFAULT_EXCLUDES, "/mnt/*"), views=WHOLE_TOO)

    assert rules.choose(path).name == choice


def test_a_folder_that_is_bound_from_what_is_left_out_keeps_its_empty_ones() -> None:
    views = (*tree_views.at_top("/"), TreeView(inside="srv/x", place="/var"))
    rules = PathFilter(exclude=(*DEFAULT_EXCLUDES, "/srv"), views=views)

    assert rules.choose(b"srv") is Choice.PASSAGE
    assert rules.choose(b"srv/y") is Choice.NOTHING
    assert rules.choose(b"srv/x/log") is Choice.WHOLE
    assert rules.choose(b"srv/x/tmp") is Choice.HOLLOW
    assert rules.choose(b"srv/x/tmp/junk") is Choice.NOTHING


def test_an_include_wins_where_a_folder_is_seen_twice() -> None:
    views = (*tree_views.at_top("/data"), TreeView(inside="home", place="/home"))
    rules = PathFilter(exclude=("/data/home/*/cache",), include=("/home/pi/cache",), views=views)

    assert rules.choose(b"home/pi/cache/x") is Choice.WHOLE
    assert rules.choose(b"home/kim/cache/x") is Choice.NOTHING


def test_what_is_included_in_a_hidden_place_leaves_nothing_of_it_out() -> None:
    rules = PathFilter(include=("/run/top/closed",), views=tree_views.at_top("/run/top"))

    assert rules.choose(b"loose") is Choice.WHOLE
    assert rules.choose(b"closed/reading") is Choice.WHOLE


@pytest.mark.parametrize(
    ("pattern", "place", "matters"),
    [
        ("/var/tmp", "/", True),  # noqa: S108
        ("/var/tmp", "/var", True),  # noqa: S108
        ("/var/tmp", "/home", False),  # noqa: S108
        ("/tmp", "/tmp", True),  # noqa: S108
        ("/run", "/run/media/pi/DATA", False),
        ("/mnt", "/mnt/data", True),
        ("/mnt/*", "/mnt/data", True),
        ("/mnt/d", "/mnt/data", False),
    ],
)
def test_which_patterns_are_told_of_a_partition(
    pattern: str, place: str, *, matters: bool
) -> None:
    assert path_filter.matters_at(pattern, place) is matters


CACHE = (
    *tree_views.at_top("/sysroot"),
    TreeView(inside="deploy/a", place="/"),
    TreeView(inside="cache", place="/mnt/a"),
)


@pytest.mark.parametrize(
    ("exclude", "include"),
    [
        ("/sysroot/cache/big", "/mnt/a/big/blob"),
        ("/mnt/a/big", "/sysroot/cache/big/blob"),
        ("/sysroot/cache/b*", "/mnt/a/big/blob"),
    ],
)
def test_an_include_wins_by_whatever_place_it_names(exclude: str, include: str) -> None:
    rules = PathFilter(exclude=(*DEFAULT_EXCLUDES, exclude), include=(include,), views=CACHE)

    assert rules.choose(b"cache/big") is Choice.PASSAGE
    assert rules.choose(b"cache/big/blob") is Choice.WHOLE
    assert rules.choose(b"cache/big/other") is Choice.NOTHING
    assert rules.choose(b"cache/letter") is Choice.WHOLE


@pytest.mark.parametrize(
    ("place", "exclude", "include", "told"),
    [
        ("/mnt/a", ("/home", "/mnt/*"), (), "/mnt/*"),
        ("/mnt/a", ("/mnt",), (), "/mnt"),
        ("/mnt/a", ("/mnt/a/*",), (), "/mnt/a/*"),
        ("/mnt/a", ("/mnt/**",), (), "/mnt/**"),
        ("/mnt/a", ("/mnt/*/*",), (), "/mnt/*/*"),
        ("/mnt/a", ("/mnt/a/*/*",), (), "/mnt/a/*/*"),
        ("/", ("/*",), (), "/*"),
        ("/mnt/a", ("/mnt/a/b", "/mnt/a/b*", "/mnt/ab"), (), None),
        ("/mnt/a", ("/mnt/*",), ("/mnt/a",), None),
    ],
)
def test_the_pattern_that_leaves_out_a_folder_or_all_in_it(
    place: str, exclude: tuple[str, ...], include: tuple[str, ...], told: str | None
) -> None:
    assert path_filter.leaving_out(place.encode(), exclude, include) == told
