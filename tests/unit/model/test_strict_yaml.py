"""Strict YAML: only what a settings file needs, and every problem with its key path.

Scalars: YAML 1.2.2, 10.3 (core schema). Tricks: FAULTS S20, S22, S23.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import DocumentError
from holdstill.model import settings, strict_yaml
from holdstill.model.layout import Record

if TYPE_CHECKING:
    import msgspec

LIMIT = 1000


class Point(Record, frozen=True, kw_only=True):
    x: int
    y: float = 0.0


class Route(Record, frozen=True, kw_only=True):
    name: str
    points: tuple[Point, ...] = ()
    home: Point | None = None


class Square(Record, frozen=True, kw_only=True, tag_field="kind", tag="square"):
    side: int


class Circle(Record, frozen=True, kw_only=True, tag_field="kind", tag="circle"):
    radius: int


class Board(Record, frozen=True, kw_only=True):
    shape: Square | Circle


def load(text: str) -> object:
    return strict_yaml.load_yaml(text.encode(), "chart", limit=LIMIT)


def decoded(text: str) -> Route:
    return strict_yaml.decode(load(text), Route, "chart")


def problems(text: str, kind: type[msgspec.Struct] = Route) -> tuple[str, ...]:
    with pytest.raises(DocumentError) as failure:
        strict_yaml.decode(load(text), kind, "chart")
    return failure.value.problems


def test_a_good_document_becomes_plain_frozen_data() -> None:
    found = decoded("name: out\npoints:\n- {x: 1, y: 2.5}\n- {x: -3}\n")

    assert found == Route(name="out", points=(Point(x=1, y=2.5), Point(x=-3)))


# Core schema: what other versions of YAML take for booleans, times and octals is text or decimal.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("no", "no"), ("off", "off"), ("yes", "yes"), ("12:30:45", "12:30:45"), ("1_000", "1_000"),
        ("0x10", "0x10"), ("2026-11-25", "2026-11-25"), (".inf", ".inf"), (".nan", ".nan"),
        ("<<", "<<"), ("=", "="), ("true", True), ("False", False), ("null", None), ("~", None),
        ("", None), ("10", 10), ("010", 10), ("08", 8), ("-0", 0), ("+7", 7), ("1e3", 1000.0),
        (".5", 0.5), ("5.", 5.0), ("'10'", "10"),
    ],
)  # fmt: skip
def test_scalars_are_those_of_the_core_schema(text: str, value: object) -> None:
    found = load(f"key: {text}\n")

    assert found == {"key": value}
    assert isinstance(found, dict)
    assert type(found["key"]) is type(value)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("a: &x 1\nb: *x\n", "anchors and aliases"),
        ("a: &x [1]\n", "anchors and aliases"),
        ("b: *x\n", "anchors and aliases"),
        ("a: !!python/object:os.system 1\n", "tags"),
        ("a: !!str 1\n", "tags"),
        ("a: 1\na: 2\n", "'a' stands here twice"),
        ("? [1, 2]\n: x\n", "a key must be plain text"),
        ("a: [1\n", "expected"),
        ("a: 1\n---\nb: 2\n", "another document"),
        ("[" * 30 + "]" * 30, "nested too deeply"),
        ("a: 1e999\n", "finite"),
        ("a: -1e999\n", "finite"),
    ],
)
def test_s22_tricks_are_refused(text: str, complaint: str) -> None:
    with pytest.raises(DocumentError, match=complaint):
        load(text)


def test_s22_a_bomb_of_aliases_is_refused_at_its_first_anchor() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 9)]

    with pytest.raises(DocumentError, match="line 1, column 5: anchors and aliases"):
        load("\n".join(lines))


@pytest.mark.parametrize(("depth", "is_good"), [(24, True), (25, False)])
def test_s20_depth_ends_at_its_limit(depth: int, is_good: bool) -> None:  # noqa: FBT001
    text = "[" * (depth - 1) + "1" + "]" * (depth - 1)

    if is_good:
        load(text)
    else:
        with pytest.raises(DocumentError, match="nested too deeply"):
            load(text)


@pytest.mark.parametrize(("size", "is_good"), [(LIMIT, True), (LIMIT + 1, False)])
def test_s20_size_ends_at_its_limit(size: int, is_good: bool) -> None:  # noqa: FBT001
    text = "a" * size

    if is_good:
        assert load(text) == text
    else:
        with pytest.raises(DocumentError, match="larger than 1000 bytes"):
            load(text)


def test_bytes_that_are_not_utf_8_are_refused_with_their_place() -> None:
    with pytest.raises(DocumentError, match="not UTF-8 at byte 3"):
        strict_yaml.load_yaml(b"a: \xff", "chart", limit=LIMIT)


@pytest.mark.parametrize("digits", [21, 400, 5000])
def test_s23_numbers_beyond_any_use_are_not_whole_ones(digits: int) -> None:
    number = "9" * digits

    with pytest.raises(DocumentError, match=r"a whole number|finite|larger than"):
        strict_yaml.decode(load(f"{{name: far, home: {{x: {number}}}}}"), Route, "chart")


@given(content=st.binary(max_size=LIMIT))
def test_any_bytes_are_a_document_or_refused(content: bytes) -> None:
    try:
        strict_yaml.load_yaml(content, "chart", limit=LIMIT)
    except DocumentError:
        return


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)


@given(value=PLAIN)
def test_any_values_are_decoded_or_refused(value: object) -> None:
    for kind in (Route, Board):
        try:
            strict_yaml.decode(value, kind, "chart")
        except DocumentError:
            continue


def test_every_problem_is_told_at_once_with_its_path() -> None:
    found = problems("nam: x\npoints:\n- {x: 1}\n- {x: one, z: 2}\n- 7\nhome: {y: 1}\n")

    assert found == (
        'nam: unknown key; did you mean "name"?',
        "name: missing",
        "points[1].z: unknown key; known are x, y",
        'points[1].x: must be a whole number; found "one"',
        "points[2]: must be keys with values, such as `key: value`; found 7",
        "home.x: missing",
    )


def test_a_wrong_shape_is_told_in_words() -> None:
    assert problems("- 1\n") == (
        "the document: must be keys with values, such as `key: value`; found a list",
    )
    assert problems("name: 7\n") == (
        "name: must be text (in quotes, if it looks like a number); found 7",
    )


def test_a_choice_is_made_by_its_tag() -> None:
    assert strict_yaml.decode(load("shape: {kind: circle, radius: 2}"), Board, "chart") == Board(
        shape=Circle(radius=2)
    )
    assert problems("shape: {kind: circle, radios: 2}", Board) == (
        'shape.radios: unknown key; did you mean "radius"?',
        "shape.radius: missing",
    )
    (complaint,) = problems("shape: {kind: triangle}", Board)
    assert complaint.startswith("shape: ")


@pytest.mark.parametrize("text", ["10", "1e5", "true", "null", "~", "", ".5", "-3", "+1."])
def test_texts_that_look_like_something_else_need_quotes(text: str) -> None:
    assert strict_yaml.needs_quotes(text)


@pytest.mark.parametrize("text", ["no", "12:30", "jetty", "1_0", "0x1", ".inf"])
def test_other_texts_need_none(text: str) -> None:
    assert not strict_yaml.needs_quotes(text)


def test_numbers_that_are_read_are_finite() -> None:
    found = load("a: 1e308\n")

    assert isinstance(found, dict)
    assert math.isfinite(found["a"])


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ("share_between_boards: no", 'must be true or false; found "no"'),
        ("trash_days: many", 'must be a number; found "many"'),
        ("notify:", "must be keys with values, such as `key: value`; found nothing"),
        ("", "the document: must be keys with values, such as `key: value`; found nothing"),
    ],
)
def test_a_value_of_another_type_is_told_in_the_words_of_who_wrote_it(
    document: str, told: str
) -> None:
    with pytest.raises(DocumentError) as error:
        settings.decode_keeper_settings(
            f"store: /srv/x\n{document}".encode() if document else b"", "keeper.yaml"
        )

    assert told in str(error.value)
    assert not re.search(r"`(bool|str|int|float|array|object)`|NoneType", str(error.value))
