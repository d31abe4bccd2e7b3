"""Numbers for Prometheus, against its published text format and its own client's parser.

Source: Prometheus documentation, "Exposition formats", section "Text-based format": a line ends
in a line feed, the last one too; HELP and TYPE once and before the samples; in label values
backslash, double-quote and line feed are escaped, in HELP backslash and line feed; names match
[a-zA-Z_:][a-zA-Z0-9_:]*.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from prometheus_client import parser

from holdstill.model.nightly_state import Incident, NightlyState, RunOutcome
from holdstill.notify import metrics
from holdstill.notify.metrics import Family

SEALED = RunOutcome(
    at="2026-11-25T01:40:00Z", code=0, what="sealed", capture="000042", seconds=612.5,
    frozen_ms=97.0, new_bytes=3_000_000_000, wire_bytes=123,
)  # fmt: skip
FAILED = RunOutcome(at="2026-11-26T08:31:00Z", code=6, what="no answer")
NIGHTS = NightlyState(good=SEALED, last=FAILED, trouble=Incident(since="x", reported=(6,)))
DUE = datetime(2026, 11, 27, 1, 30, tzinfo=UTC)


def parsed(text: bytes) -> dict[str, tuple[str, str, dict[str, float]]]:
    """Return what Prometheus' own parser understands: help, type, and a value for each board."""
    return {
        family.name: (
            family.documentation,
            family.type,
            {sample.labels["board"]: float(sample.value) for sample in family.samples},
        )
        for family in parser.text_string_to_metric_families(text.decode())
    }


def test_the_reference_parser_reads_what_a_board_has_to_tell() -> None:
    found = parsed(metrics.rendered(metrics.about_board("pier-3", NIGHTS, due=DUE)))

    assert {name: values["pier-3"] for name, (_, _, values) in found.items()} == {
        "holdstill_last_run_exit_code": 6,
        "holdstill_last_run_timestamp_seconds": 1795681860,
        "holdstill_last_capture_timestamp_seconds": 1795570800,
        "holdstill_last_capture_frozen_seconds": 0.097,
        "holdstill_last_capture_duration_seconds": 612.5,
        "holdstill_last_capture_new_bytes": 3e9,
        "holdstill_last_capture_wire_bytes": 123,
        "holdstill_next_run_timestamp_seconds": DUE.timestamp(),
        "holdstill_in_trouble": 1,
    }
    assert {kind for _, kind, _ in found.values()} == {"gauge"}


@pytest.mark.parametrize(
    ("text", "back"),
    [
        # A line break is made visible before the format escapes it: no text begins a line.
        ('back\\slash "quotes"\nand a line', 'back\\slash "quotes"\\nand a line'),
        ("\\n", "\\n"),
        ("\\\\n", "\\\\n"),
        ('"', '"'),
    ],
)
def test_labels_and_help_are_escaped_so_that_the_reference_parser_gives_them_back(
    text: str, back: str
) -> None:
    family = Family("holdstill_x", text, {text: 1.5, "plain": -1.0})

    found = parsed(metrics.rendered([family]))

    assert found == {"holdstill_x": (back, "gauge", {back: 1.5, "plain": -1.0})}


def test_every_line_is_one_of_the_three_kinds_and_ends_in_a_line_feed() -> None:
    text = metrics.rendered(metrics.about_board("pier-3", NIGHTS, due=DUE)).decode()

    name = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
    kinds = re.compile(
        rf'# HELP {name} .+|# TYPE {name} gauge|{name}\{{board="pier-3"\}} [-0-9.e+]+'
    )
    assert text.endswith("\n")
    assert "\r" not in text
    lines = text.removesuffix("\n").split("\n")
    assert [line for line in lines if not kinds.fullmatch(line)] == []
    assert len(lines) == 3 * 9


def test_a_board_that_has_not_run_yet_tells_only_what_it_knows() -> None:
    found = parsed(metrics.rendered(metrics.about_board("pier-3", NightlyState(), due=None)))

    assert list(found) == ["holdstill_in_trouble"]
