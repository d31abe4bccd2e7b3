"""The line that shows how far a command is: on a terminal one bar for all, in a log the steps."""

from __future__ import annotations

import io
import re

import pytest

from holdstill.cli import progress
from holdstill.cli.consoles import Console
from holdstill.model.estimate import Stage

MIB = 1 << 20


def shown(width: int, *, is_planned: bool) -> str:
    """Return all that a terminal of a width was sent."""
    out = io.StringIO()
    with progress.reporting(Console(file=out, force_terminal=True, width=width)) as told:
        if is_planned:
            told.expect([Stage("copying", 5.0), Stage("sealing", 1.0)])
        told.step("copying")
        told.update(3 * MIB, 12 * MIB)
        with told.muted():
            pass
        told.step("writing the files of partition 2 (ext4)")
        told.update(3 * MIB, 12 * MIB)
        with told.muted():  # which draws it
            pass
        told.step("sealing")
        told.step(
            "a step that nobody expected, with a name that is longer than a terminal is wide"
        )
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", out.getvalue())


@pytest.mark.parametrize("width", [80, 100])
def test_all_of_the_work_is_one_bar_with_the_time_that_is_left(width: int) -> None:
    said = shown(width, is_planned=True)

    assert "copying: 3.0 MiB of 12.0 MiB" in said
    assert re.search(r"%, [a-z0-9 ]+ left", said)
    assert "100%, " not in said
    assert "100%" in said
    assert "…" not in said.partition("a step that nobody")[0]
    assert ("(ext4): 3.0 MiB of" in said) == (width == 100)
    assert all(len(line) <= width for line in re.split(r"[\r\n]+", said))
    percents = [int(found) for found in re.findall(r"(\d+)%", said)]
    assert percents == sorted(percents)


def test_without_a_plan_the_bar_is_that_of_the_step() -> None:
    said = shown(80, is_planned=False)

    assert " 25%" in said
    assert "left" not in said
    assert "100%" not in said


def test_a_log_has_a_line_for_each_step_and_nothing_else() -> None:
    out = io.StringIO()
    with progress.reporting(Console(file=out, width=200)) as told:
        told.expect([Stage("copying", 5.0)])
        told.step("copying")
        told.update(1, 2)
        told.warn("the card is slow")

    assert out.getvalue() == "copying\nnote: the card is slow\n"
