"""Tab completion as the README says it: click makes the script, bash runs it."""

import os
import re
import subprocess
import sys
from pathlib import Path

README = Path(__file__).parents[2] / "README.md"
PRESS_TAB = """\
COMP_WORDS=(holdstill {words}) COMP_CWORD={count}
_holdstill_completion holdstill
printf '%s\\n' "${{COMPREPLY[@]}}"
"""


def completed(folder: Path, *words: str) -> list[str]:
    """Return what bash offers behind these words when Tab is pressed."""
    tool = folder / "holdstill"
    tool.write_text(f'#!/bin/sh\nexec {sys.executable} -m holdstill "$@"\n', encoding="utf-8")
    tool.chmod(0o755)
    (line,) = re.findall(
        r"^eval .*_HOLDSTILL_COMPLETE=.*$", README.read_text("utf-8"), re.MULTILINE
    )
    script = f"{line}\n" + PRESS_TAB.format(words=" ".join(words), count=len(words))
    done = subprocess.run(
        ["bash", "-c", script], capture_output=True, check=True,
        env={"PATH": f"{folder}:{os.environ['PATH']}"},
    )  # fmt: skip
    return done.stdout.decode().split()


def test_commands_and_options_are_completed(tmp_path: Path) -> None:
    assert completed(tmp_path, "com") == ["compare"]
    assert completed(tmp_path, "fi") == ["find"]
    assert completed(tmp_path, "compare", "--li") == ["--live", "--list"]
    assert completed(tmp_path, "keeper", "en") == ["enrol"]
