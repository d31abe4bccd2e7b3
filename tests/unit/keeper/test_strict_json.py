"""JSON that could be read in two ways is refused."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.keeper import json_rpc, strict_json
from holdstill.model.protocol import BATCH, WantedContent

LIMIT = 10_000


@pytest.mark.parametrize(
    "text",
    [
        b'{"a": 1, "a": 2}',
        b'{"b": {"a": 1, "\\u0061": 2}}',
        b"NaN",
        b"[Infinity]",
        b"-Infinity",
        b"1e999",
        b'{"n": %s}' % (b"9" * 5000),
        b"123456789012345678901",
        b"[" * 17 + b"]" * 17,
        b'{"a":' * 17 + b"1" + b"}" * 17,
        b"[" * 5000,
        b'"\\ud800"',
        b'{"\\udfff": 1}',
        b'["ok", {"k": "\\uDBFF"}]',
        b"\xff",
        b'"\xc3"',
        b"{'a': 1}",
        b"[1,]",
        b"01",
        b"",
        b"{} {}",
        b"// comment\n{}",
        b"x" * (LIMIT + 1),
    ],
)
def test_s23_lax_json_is_refused(text: bytes) -> None:
    with pytest.raises(SecurityError):
        strict_json.loads(text, limit=LIMIT)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        (b'{"a": [1, -2.5, true, null, "x"]}', {"a": [1, -2.5, True, None, "x"]}),
        (b"[" * 16 + b"]" * 16, json.loads("[" * 16 + "]" * 16)),
        (b'"[[[[[[[[[[[[[[[[[[[[[ \\" [[["', '[[[[[[[[[[[[[[[[[[[[[ " [[['),
        (b'"\\ud83d\\ude00"', "\N{GRINNING FACE}"),
        (b"12345678901234567890", 12345678901234567890),
    ],
)
def test_plain_json_is_read(text: bytes, value: object) -> None:
    assert strict_json.loads(text, limit=LIMIT) == value


def test_s20_a_message_may_be_as_long_as_its_limit_and_no_longer() -> None:
    text = b'"' + b"x" * (LIMIT - 2) + b'"'

    assert strict_json.loads(text, limit=LIMIT) == "x" * (LIMIT - 2)
    with pytest.raises(SecurityError, match="more than"):
        strict_json.loads(text + b" ", limit=LIMIT)


@given(st.binary(max_size=300))
def test_s23_any_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        value = strict_json.loads(data, limit=LIMIT)
    except SecurityError:
        return
    assert json.dumps(value, ensure_ascii=False).encode()


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63) | st.text(),
    lambda below: st.lists(below, max_size=4) | st.dictionaries(st.text(), below, max_size=4),
    max_leaves=12,
)


@given(VALUES)
def test_what_json_writes_is_read_back(value: object) -> None:
    assert strict_json.loads(json.dumps(value).encode(), limit=LIMIT * 100) == value


def test_a_message_of_very_many_values_is_refused_before_it_takes_memory() -> None:
    data = b"[" + b",".join([b'""'] * (strict_json.VALUES_MAX + 2)) + b"]"

    with pytest.raises(SecurityError, match="more than 400000 values"):
        strict_json.loads(data, limit=8 << 20)


def test_the_largest_calls_have_fewer_values_than_that() -> None:
    wanted = [WantedContent(digest="a" * 64, size=1 << 40, basis="b" * 64)] * BATCH
    line = json_rpc.call_line(1, "lacking", json_rpc.WantedParams(wanted=tuple(wanted), folder=0))

    assert json_rpc.read_call(line).method == "lacking"
