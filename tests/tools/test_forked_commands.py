"""What tests/support runs command lines by: each as if the program had been started for it."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

from support import forked_commands, programs


@pytest.mark.parametrize(
    "words", [("--version",), ("list", "--store", "/nowhere"), ("get", "--help"), ("nothing",)]
)
def test_a_command_ends_and_speaks_as_when_it_is_started(words: tuple[str, ...]) -> None:
    forked = forked_commands.attempt(words, timeout=60)
    started = programs.attempt(sys.executable, "-m", "holdstill", *words)

    assert forked.returncode == started.returncode
    assert forked.stdout == started.stdout
    assert forked.stderr == started.stderr


def test_each_has_the_environment_and_folder_of_the_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "wide").mkdir()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "60")
    narrow = forked_commands.attempt(("list", "--help"), timeout=60)
    monkeypatch.setenv("COLUMNS", "100")
    wide = forked_commands.attempt(("list", "--help"), timeout=60)
    here = forked_commands.attempt(("list", "--store", "wide"), timeout=60)

    assert (
        max(map(len, narrow.stdout.splitlines())) <= 60 < max(map(len, wide.stdout.splitlines()))
    )
    assert f"{tmp_path}/wide/store.yaml".encode() in here.stderr


def test_one_that_does_not_end_is_killed() -> None:
    began = time.monotonic()

    with pytest.raises(TimeoutError):
        forked_commands.attempt(("--version",), timeout=0.0)

    assert time.monotonic() - began < 10
    assert forked_commands.attempt(("--version",), timeout=60).returncode == 0


def test_what_a_command_leaves_open_is_not_left_open_here() -> None:
    forked_commands.attempt(("--version",), timeout=60)
    before = descriptors()
    for _ in range(5):
        forked_commands.attempt(("--version",), timeout=60)

    assert descriptors() == before


def descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))
