"""The trees of a btrfs as one stream: in key order, and with links that stay apart."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from holdstill.filesystems.kernel_filled import subvolume_trees
from holdstill.filesystems.kernel_filled.subvolume_trees import SubvolumeTree
from holdstill.model import entries as entry_streams
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Subvolume

NAMES = st.sampled_from([b"a", b"b", b"a-b", b"a.", b"\xff", b"A"])


def entry(path: bytes, *, link: int = 0) -> Entry:
    directory, name = paths.split(path)
    return Entry(directory, name, EntryType.FILE, link=link)


def tree(path: str, *inside: Entry) -> SubvolumeTree:
    entries = sorted((Entry(b"", b"", EntryType.DIRECTORY), *inside), key=entry_streams.key)
    return SubvolumeTree(Subvolume(of=2, path=path), lambda: entries, lambda: entries)


@given(
    st.lists(st.lists(NAMES, min_size=1, max_size=3).map(b"/".join), unique=True, max_size=6),
    st.sets(st.sampled_from(["a", "a/b", "b", "a-b", "a/b/a"]), max_size=3),
)
def test_all_entries_come_in_key_order(inside: list[bytes], tops: set[str]) -> None:
    top = sorted(
        [Entry(b"", b"", EntryType.DIRECTORY), *map(entry, inside)], key=entry_streams.key
    )
    trees = [tree(path, *map(entry, inside)) for path in sorted(tops)]

    found = list(subvolume_trees.as_one(top, trees))

    assert found == sorted(found, key=entry_streams.key)
    assert len(found) == (1 + len(inside)) * (1 + len(tops))
    names = {one.path for one in found}
    assert names >= {paths.join(path.encode(), name) for path in tops for name in inside}


def test_links_of_different_trees_are_different_files() -> None:
    top = [entry(b"one", link=257), entry(b"two", link=257)]
    other = tree("@", entry(b"one", link=257), entry(b"two", link=257))

    links = [one.link for one in subvolume_trees.as_one(top, [other]) if one.link]

    assert len(links) == 4
    assert len(set(links)) == 2


def test_a_tree_comes_behind_the_one_that_it_is_in() -> None:
    order = subvolume_trees.in_order([tree("a/b"), tree("a-b"), tree("a"), tree("a/b/c")])

    assert [one.kind.path for one in order] == ["a", "a/b", "a/b/c", "a-b"]
