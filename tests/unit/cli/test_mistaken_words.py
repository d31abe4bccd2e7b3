"""What is said to a mistaken command line: what is wrong, where, and what to do next."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import terminal
from support import command_line

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("restore", "pier-3"), "`holdstill rebuild`"),
        (("ls",), "`holdstill list`"),
        (("remove",), "`holdstill keeper remove`"),
        (("captur",), "`holdstill capture`"),
        (("keeper", "enroll"), "`holdstill keeper enrol`"),
        (("offsite", "restor"), "`holdstill offsite restore`"),
    ],
)
def test_a_command_that_is_not_there_is_told_with_what_is_meant(
    words: tuple[str, ...], meant: str
) -> None:
    done = command_line.attempt(*words)

    assert done.returncode == 2
    assert meant in done.stderr.decode()


def test_of_a_word_unlike_all_commands_nothing_is_guessed() -> None:
    done = command_line.attempt("zzz")

    assert b"No such command 'zzz'.\n" in done.stderr


@pytest.mark.parametrize(
    ("target", "told"),
    [
        ("-", "standard output"),
        ("/dev/null", "/dev/null is no disk"),
        ("/dev/holdstill-none", "there is no device /dev/holdstill-none"),
        ("card.zip", "not packed as .zip"),
    ],
)
def test_what_is_no_target_is_refused(tmp_path: Path, target: str, told: str) -> None:
    command_line.holdstill("keeper", "init", tmp_path / "boathouse")

    done = command_line.attempt("rebuild", "pier-3", target, "--store", tmp_path / "boathouse")

    assert done.returncode in (2, 10)
    assert told in done.stderr.decode()
    assert b"what to do:" in done.stderr


def test_a_budget_in_words_is_told_the_right_form(tmp_path: Path) -> None:
    settings = tmp_path / "board.yaml"
    settings.write_text("board: pier-3\nkeeper: /srv/holdstill\n", encoding="utf-8")

    done = command_line.attempt("audit", "--budget", "30minutes", "--settings", settings)

    assert done.returncode == 2
    assert b"such as 30min" in done.stderr


def test_settings_that_are_not_there_are_made_by_setup(tmp_path: Path) -> None:
    done = command_line.attempt("capture", "--settings", tmp_path / "board.yaml")

    assert done.returncode == 2
    assert b"`sudo holdstill setup` makes it" in done.stderr


def test_a_stream_that_was_closed_at_the_start_takes_what_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "stdout", None)  # as after `>&-` (sys, stdin)
    monkeypatch.setattr(sys, "stderr", None)

    terminal.guard_streams()

    with sys.stdout as out, sys.stderr as err:
        assert out.write("said") == err.write("said")
