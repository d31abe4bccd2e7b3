"""The order in which every reader yields entries."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.filesystems import file_tree
from holdstill.model import entries as entry_streams
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType

if TYPE_CHECKING:
    from collections.abc import Iterator

NAMES = st.binary(min_size=1, max_size=3).filter(
    lambda n: n not in {b".", b".."} and b"/" not in n and b"\0" not in n
)
TREES: st.SearchStrategy[list[bytes]] = st.lists(
    st.lists(NAMES, min_size=1, max_size=4).map(b"/".join), max_size=20
)


def directories(leaves: list[bytes]) -> dict[bytes, set[bytes]]:
    """Return the names in each directory of a tree with these leaves."""
    found: dict[bytes, set[bytes]] = {b"": set()}
    for leaf in leaves:
        parts = leaf.split(b"/")
        for depth, name in enumerate(parts):
            above = b"/".join(parts[:depth])
            found.setdefault(above, set()).add(name)
    return found


@given(leaves=TREES)
def test_entries_come_sorted_by_directory_and_name(leaves: list[bytes]) -> None:
    there = directories(leaves)

    def listing(path: bytes, _: str) -> Iterator[tuple[Entry, str | None]]:
        for name in sorted(there[path]):
            is_directory = paths.join(path, name) in there
            kind = EntryType.DIRECTORY if is_directory else EntryType.FILE
            yield Entry(path, name, kind), "place" if is_directory else None

    found = list(file_tree.in_key_order("place", listing))

    assert found == sorted(found, key=entry_streams.key)
    assert len(found) == sum(len(names) for names in there.values())


def test_s20_names_and_paths_at_the_limit_pass_and_beyond_it_do_not() -> None:
    file_tree.checked_names(b"", [b"x" * 255])
    file_tree.checked_names(b"/".join([b"d" * 200] * 19) + b"/" + b"e" * 200, [b"y" * 76])

    with pytest.raises(SecurityError, match="not a file name"):
        file_tree.checked_names(b"", [b"x" * 256])
    with pytest.raises(SecurityError, match="too long or too deep"):
        file_tree.checked_names(b"/".join([b"d" * 200] * 20), [b"y" * 100])
    with pytest.raises(SecurityError, match="too long or too deep"):
        file_tree.checked_names(b"/".join([b"d"] * 255), [b"y"])


def test_s29_a_budget_ends() -> None:
    budget = file_tree.ReadLimit(blocks=3, logical=100)

    budget.spend_blocks(3)
    budget.spend_bytes(100)

    with pytest.raises(SecurityError):
        budget.spend_blocks(1)
    with pytest.raises(SecurityError):
        budget.spend_bytes(1)
