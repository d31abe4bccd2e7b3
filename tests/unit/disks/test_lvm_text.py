from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.disks import lvm_text
from holdstill.errors import LayoutError

NAMES = st.from_regex(r"[a-z][a-z0-9_+.-]{0,8}", fullmatch=True)
SCALARS = st.integers(0, 2**40) | st.text(max_size=12).filter(lambda t: "\0" not in t)
VALUES = SCALARS | st.lists(SCALARS, max_size=4)
SECTIONS = st.recursive(
    st.dictionaries(NAMES, VALUES, max_size=4),
    lambda inner: st.dictionaries(NAMES, VALUES | inner, max_size=4),
    max_leaves=12,
)


@given(SECTIONS)
def test_what_is_written_is_read_again(section: lvm_text.Section) -> None:
    try:
        found = lvm_text.parse(lvm_text.rendered(section))
    except LayoutError as error:
        assert "too many sections" in str(error)  # noqa: PT017
    else:
        assert found == section


@given(st.text())
def test_anything_else_is_refused_or_read(text: str) -> None:
    with contextlib.suppress(LayoutError):
        assert isinstance(lvm_text.parse(text), dict)


@pytest.mark.parametrize("text", ["a {", "a = ", "a", "= 3", "a = [1, 2", "}", "a = {"])
def test_what_ends_in_the_middle_is_refused(text: str) -> None:
    with pytest.raises(LayoutError):
        lvm_text.parse(text)


def test_comments_and_commas_are_no_words() -> None:
    text = 'a = 1\t# one\n# two\nb = ["x", "y"]\nc {\n}\n'

    assert lvm_text.parse(text) == {"a": 1, "b": ["x", "y"], "c": {}}
