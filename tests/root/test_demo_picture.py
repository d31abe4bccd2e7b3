"""README's picture is what the demonstration shows today, but for what is measured."""

from __future__ import annotations

import difflib
import re
import sys
from pathlib import Path

import pytest

from support import terminal_picture, terminal_screen

PICTURE = Path(__file__).parents[2] / "configs/demo/demo.svg"
DIFFERS = re.compile(
    r"(?P<folder>holdstill-demo-)\w+"
    r"|(?P<system>Debian GNU/Linux )\d+ \(\w+\)"
    r"|\d[\dT:,.-]*Z?( (B|KiB|MiB|GiB|ms|s|min|h|d)\b)?"
)
"""What is another one in each run: names of folders, moments, sizes, counts, Debian's release."""


def words(lines: tuple[terminal_screen.Line, ...]) -> list[str]:
    """Return the words of a screen; how tables are aligned depends on what is in them."""
    text = "\n".join(line.text for line in lines)
    shown = DIFFERS.sub(lambda found: f"{found['folder'] or found['system'] or ''}#", text)
    return shown.split()


@pytest.mark.timeout(300)
def test_the_picture_is_a_recording_of_the_demonstration() -> None:
    (_, *recorded), _ = terminal_picture.read(PICTURE.read_text(encoding="utf-8"))
    demo = (sys.executable, "-m", "holdstill", "demo")

    seen = terminal_screen.shown(demo, columns=terminal_picture.COLUMNS)

    differing = difflib.unified_diff(words(tuple(recorded)), words(seen), "recorded", "seen", n=3)
    assert "\n".join(differing) == "", "if that is right, `configs/demo/record` draws it anew"
