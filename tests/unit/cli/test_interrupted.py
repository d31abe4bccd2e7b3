"""What an interrupted command says of what it wrote to."""

from __future__ import annotations

import pytest

from holdstill.cli import interrupted
from holdstill.cli.main import holdstill
from holdstill.system import termination
from holdstill.system.termination import TerminationRequested


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["list", "--store", "/srv/x"], "nothing was changed"),
        (["keeper", "setup", "--yes"], "goes on with the rest"),
        (["get", "pier-3", "/etc"], "ends in .incomplete"),
        (["thin", "--apply"], "whole, or deleted as a whole"),
        (["pin", "pier-3/1"], "run it again"),
        ([], "run it again"),
    ],
)
def test_each_command_has_its_own_words(words: list[str], says: str) -> None:
    assert says in interrupted.told(KeyboardInterrupt(), words)


def test_there_are_words_for_commands_only_that_are_there() -> None:
    for words in interrupted._OF:
        group, _, command = words.partition(" ")
        found = holdstill.get_command(None, group)  # type: ignore[arg-type]  # it needs none
        assert found is not None, words
        if command:
            assert command in found.list_commands(None), words  # type: ignore[attr-defined]


def test_what_was_noted_on_the_way_is_said_and_of_that_the_first() -> None:
    def work() -> None:
        state = "nothing was written"
        with termination.noting(lambda: "the outer one"), termination.noting(lambda: state):
            state = "half of it is written"
            raise TerminationRequested("SIGINT")

    with pytest.raises(TerminationRequested) as caught:
        work()

    assert interrupted.told(caught.value, ["list"]) == "half of it is written"


def test_who_says_all_says_it_in_the_place_of_what_was_noted() -> None:
    with (
        pytest.raises(KeyboardInterrupt) as caught,
        termination.noting(lambda: "all of it", is_all=True),
        termination.noting(lambda: "a part of it"),
    ):
        raise KeyboardInterrupt

    assert interrupted.told(caught.value, []) == "all of it"


def test_other_errors_carry_no_such_note() -> None:
    with pytest.raises(OSError, match="no") as caught, termination.noting(lambda: "noted"):
        raise OSError("no")

    assert not hasattr(caught.value, "__notes__")
