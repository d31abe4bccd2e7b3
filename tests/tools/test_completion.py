"""Tab completion as the README says it: click makes the script, bash runs it."""

import os
import re
import subprocess
import sys
from pathlib import Path

from holdstill.keeper import enrolment
from support import keeping
from support.keeping import PIER_4, Board, FakeClock

README = Path(__file__).parents[2] / "README.md"
PRESS_TAB = """\
COMP_WORDS=(holdstill {words}) COMP_CWORD={count}
_holdstill_completion holdstill
printf '%s\\n' "${{COMPREPLY[@]}}"
"""


def completed(folder: Path, *words: str, store: Path | None = None) -> list[str]:
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
        env={"PATH": f"{folder}:{os.environ['PATH']}"}
        | ({"HOLDSTILL_STORE": str(store)} if store else {}),
    )  # fmt: skip
    return done.stdout.decode().split()


def test_commands_and_options_are_completed(tmp_path: Path) -> None:
    assert completed(tmp_path, "com") == ["compare"]
    assert completed(tmp_path, "fi") == ["find"]
    assert completed(tmp_path, "compare", "--li") == ["--live", "--list"]
    assert completed(tmp_path, "keeper", "en") == ["enrol"]


def test_boards_and_captures_are_completed_the_newest_first(tmp_path: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    enrolment.enrol(store, PIER_4, keeping.OTHER_KEY, clock=clock, limits=None)
    with keeping.keeper_of(store, clock=clock) as keeper:
        taken = [Board(keeper, clock=clock).capture().name]
    root = store.root

    assert completed(tmp_path, "list", "p", store=root) == ["pier-3", "pier-4"]
    assert completed(tmp_path, "show", "pier-3/", store=root) == [
        "pier-3/latest", *(f"pier-3/{name}" for name in taken),
    ]  # fmt: skip
    assert completed(tmp_path, "list", "no-such", store=root) == []


def test_disks_are_completed_and_nothing_that_is_none(tmp_path: Path) -> None:
    found = completed(tmp_path, "rebuild", "pier-3", "/dev/")

    disks = {f"/dev/{item.name}" for item in Path("/sys/block").iterdir()}
    assert set(found) <= disks
    assert not [name for name in found if name.startswith("/dev/loop")]


def test_a_store_that_is_elsewhere_or_not_there_offers_nothing_and_asks_nobody(
    tmp_path: Path,
) -> None:
    assert completed(tmp_path, "list", "p", store=tmp_path / "none") == []
    assert completed(tmp_path, "show", "p", store=Path("ssh://keeper@192.0.2.1")) == []
