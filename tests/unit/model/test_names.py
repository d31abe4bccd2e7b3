"""Names of boards, runs, captures and contents."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import UsageError
from holdstill.model import names
from holdstill.model.names import CaptureName

DIGEST = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def test_a_digest_is_64_lower_case_hexadecimal_digits() -> None:
    assert names.check_digest(DIGEST) == DIGEST


@pytest.mark.parametrize(
    "text",
    ["", DIGEST[:-1], DIGEST + "0", DIGEST.upper(), DIGEST + "\n", "../" + DIGEST[3:], "é" * 64,
     "٣" * 64],
)  # fmt: skip
def test_s25_nothing_else_is_a_digest(text: str) -> None:
    with pytest.raises(UsageError, match="SHA-256"):
        names.check_digest(text)


# RFC 1123, 2.1: letters, digits and hyphens, which do not stand at the ends; at most 63.
@pytest.mark.parametrize("text", ["pier-3", "a", "3com", "x" * 63, "a--b"])
def test_a_board_has_the_name_of_a_host(text: str) -> None:
    assert names.check_board(text) == text


@pytest.mark.parametrize(
    "text",
    ["", "-pier", "pier-", "Pier", "pier_3", "pier.3", "../etc", "pier/3", "x" * 64, "pier 3",
     "pier-3\n", "pïer", ".", ".."],
)  # fmt: skip
def test_s25_nothing_else_names_a_board(text: str) -> None:
    with pytest.raises(UsageError, match="cannot be a board's name"):
        names.check_board(text)


@pytest.mark.parametrize(
    "text", ["", "short", "x" * 33, "UPPER123", "../../..", "run-00001", "a" * 8 + "\n"]
)
def test_s25_a_run_has_a_name_of_letters_and_digits(text: str) -> None:
    assert names.check_run("run00001") == "run00001"
    with pytest.raises(UsageError, match="cannot name a run"):
        names.check_run(text)


def test_a_capture_is_named_by_number_and_moment_in_utc() -> None:
    berlin = timezone(timedelta(hours=1))

    name = CaptureName.at(42, datetime(2026, 11, 25, 3, 15, 3, tzinfo=berlin))

    assert str(name) == "000042-20261125T021503Z"
    assert CaptureName.parse("000042-20261125T021503Z") == name


# FAULTS finding 9: a wrong clock must not put a capture before or behind another one.
def test_captures_are_ordered_by_number_never_by_date() -> None:
    dates = [datetime(2036, 2, 7, tzinfo=UTC), datetime(1970, 1, 1, tzinfo=UTC)]

    ordered = [CaptureName.at(number, date) for number, date in enumerate(dates, start=1)]

    assert ordered[0] < ordered[1]


@given(
    seq=st.integers(0, 999_999_999),
    moment=st.datetimes(min_value=datetime(1970, 1, 1), max_value=datetime(2199, 1, 1)),  # noqa: DTZ001
)
def test_a_name_survives_being_written(seq: int, moment: datetime) -> None:
    name = CaptureName.at(seq, moment.replace(tzinfo=UTC))

    assert CaptureName.parse(str(name)) == name


@pytest.mark.parametrize(
    "text",
    ["", "42-20261125T021503Z", "000042-20261125T021503", "000042-20261125T021503Z/..",
     "../000042-20261125T021503Z", "000042-20261125T021503Z\n", "٠٠٠٠٤٢-20261125T021503Z"],
)  # fmt: skip
def test_s25_nothing_else_names_a_capture(text: str) -> None:
    with pytest.raises(UsageError, match="not a capture's name"):
        CaptureName.parse(text)
