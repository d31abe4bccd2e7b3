from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import paths, tree_views
from holdstill.model.tree_views import TreeView

WHOLE = tree_views.at_top("/data")
DEPLOYED = (
    TreeView(inside="deploy/a", place="/"),
    TreeView(inside="deploy/a/usr", place="/usr"),
    TreeView(inside="state", place="/var"),
)
BOTH = (*tree_views.at_top("/sysroot"), *DEPLOYED)
NAMES = st.sampled_from([b"deploy", b"a", b"state", b"var", b"usr", b"ab"])
PATHS = st.lists(NAMES, max_size=5).map(b"/".join)


@pytest.mark.parametrize(
    ("views", "path", "place"),
    [
        (WHOLE, b"", b"/data"),
        (WHOLE, b"a/b", b"/data/a/b"),
        (tree_views.at_top("/"), b"", b"/"),
        (tree_views.at_top("/"), b"etc", b"/etc"),
        (DEPLOYED, b"deploy/a", b"/"),
        (DEPLOYED, b"deploy/a/etc/fstab", b"/etc/fstab"),
        (DEPLOYED, b"deploy/a/usr/bin", b"/usr/bin"),
        (DEPLOYED, b"state/log", b"/var/log"),
        (DEPLOYED, b"state", b"/var"),
        (DEPLOYED, b"deploy", None),
        (DEPLOYED, b"deploy/ab", None),
        (DEPLOYED, b"deploy/b/etc", None),
        (BOTH, b"deploy/b/etc", b"/sysroot/deploy/b/etc"),
        (BOTH, b"deploy/a/etc", b"/etc"),
        (BOTH, b"", b"/sysroot"),
        ((), b"a", None),
    ],
)
def test_a_path_is_seen_by_the_deepest_folder(
    views: tuple[TreeView, ...], path: bytes, place: bytes | None
) -> None:
    assert tree_views.place_of(views, path) == place


@pytest.mark.parametrize(
    ("views", "place", "path"),
    [
        (WHOLE, "/data", b""),
        (WHOLE, "/data/", b""),
        (WHOLE, "/data/a", b"a"),
        (WHOLE, "/database", None),
        (WHOLE, "/", None),
        (DEPLOYED, "/", b"deploy/a"),
        (DEPLOYED, "/etc/fstab", b"deploy/a/etc/fstab"),
        (DEPLOYED, "/var/log", b"state/log"),
        (DEPLOYED, "/various", b"deploy/a/various"),
        (BOTH, "/sysroot", b""),
        (BOTH, "/sysroot/state", b"state"),
    ],
)
def test_a_place_is_shown_by_what_is_mounted_nearest(
    views: tuple[TreeView, ...], place: str, path: bytes | None
) -> None:
    found = tree_views.showing(views, place)

    assert (found[1] if found else None) == path


@given(path=PATHS)
def test_what_is_seen_somewhere_is_found_there(path: bytes) -> None:
    place = tree_views.place_of(BOTH, path)
    assert place is not None
    found = tree_views.showing(BOTH, place.decode())
    assert found is not None
    covered = found[1] != path
    # What is below a place where another folder is mounted is covered by that.
    assert not covered or paths.split(path)[0].startswith(b"deploy/a") or path == b"deploy/a/var"


def test_words_for_people() -> None:
    assert tree_views.shown(DEPLOYED, 2, b"deploy/a/var/log") == "2:/deploy/a/var/log"
    assert tree_views.shown(DEPLOYED, 2, b"deploy/a/etc/\xff") == "/etc/\\xff"
    assert tree_views.shown(BOTH, 2, b"state/log") == "/var/log"
    assert tree_views.shown(DEPLOYED, 2, b"deploy/b\n") == "2:/deploy/b\\n"
    assert tree_views.words(BOTH) == "/sysroot, /, /usr, /var"
    assert tree_views.words(()) == ""


def test_the_folder_that_is_root() -> None:
    assert tree_views.root_folder(BOTH) == "deploy/a"
    assert tree_views.root_folder(tree_views.at_top("/")) == ""
    assert tree_views.root_folder(()) == ""
