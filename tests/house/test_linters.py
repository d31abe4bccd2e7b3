"""The linters are tests, so that `pytest` is the one command."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
BIN = Path(sys.executable).parent


@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    "words",
    [
        pytest.param(["ruff", "format", "--check"], id="format"),
        pytest.param(["ruff", "check"], id="lint"),
        pytest.param(["mypy"], id="types"),
        pytest.param(["lint-imports", "--no-logo"], id="imports"),
    ],
)
def test_the_linter_has_nothing_to_say(words: list[str]) -> None:
    program, *rest = words

    done = subprocess.run(
        [BIN / program, *rest],
        cwd=TOP,
        env=os.environ | {"NO_COLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, f"{done.stdout}{done.stderr}"
