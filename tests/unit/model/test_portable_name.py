from __future__ import annotations

from urllib.parse import unquote_to_bytes

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import portable_name

NAMES = st.binary(min_size=1, max_size=40).filter(
    lambda name: b"/" not in name and b"\0" not in name
)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (b"hostname", "hostname"),
        ("Z\u00fcrich 50%".encode(), "Z\u00fcrich 50%"),
        (b"50%25", "50%2525"),
        (b"a\\b", "a%5Cb"),
        (b"C:", "C%3A"),
        (b"a.", "a%2E"),
        (b"..", ".%2E"),
        (b"a ", "a%20"),
        (b"CON", "%43ON"),
        (b"nul.txt", "%6Eul.txt"),
        (b"console", "console"),
        (b"LPT9 .x", "%4CPT9 .x"),
        (b"\xff\n", "%FF%0A"),
        ("\u202etxt.exe".encode(), "%E2%80%AEtxt.exe"),
    ],
)
def test_a_name_becomes_one_that_any_system_takes(name: bytes, expected: str) -> None:
    assert portable_name.portable(name) == expected


@given(NAMES)
def test_unlike_names_stay_unlike(name: bytes) -> None:
    written = portable_name.portable(name)

    assert unquote_to_bytes(written) == name
    assert written.isprintable()
    assert not {*written} & {*'<>:"|?*\\/'}
    assert written[-1] not in ". "
