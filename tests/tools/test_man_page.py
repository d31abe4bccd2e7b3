"""The manual page, as those judge it who set it: groff, and mandoc where it is at hand."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "configs/package/holdstill.1"


@pytest.mark.skipif(shutil.which("groff") is None, reason="groff is not installed")
def test_groff_has_no_warning() -> None:
    done = subprocess.run(
        ["groff", "-ww", "-man", "-Tutf8", PAGE], capture_output=True, check=True, text=True
    )

    assert done.stderr == ""
    assert "holdstill keeper reader add" in done.stdout


@pytest.mark.skipif(shutil.which("mandoc") is None, reason="mandoc is not installed")
def test_mandoc_has_nothing_to_say() -> None:
    done = subprocess.run(
        ["mandoc", "-T", "lint", "-W", "warning", PAGE],
        capture_output=True, check=False, text=True,
    )  # fmt: skip

    assert done.stdout == ""
    assert done.returncode == 0
