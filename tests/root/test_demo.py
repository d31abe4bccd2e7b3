"""The demonstration as a whole: what it says is so, and whatever happens it cleans up."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from rich.console import Console

from holdstill.demo import card, material, scenario
from holdstill.demo.material import Share
from holdstill.demo.scenario import DemoDependencies
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import loop, programs
from support.loop import MIB

SHARES = (Share("/usr/lib", 800, 20 * MIB), Share("/usr/share", 400, 6 * MIB))
MEMORY = Path("/dev/shm")  # noqa: S108  looked at, not written to

pytestmark = pytest.mark.timeout(400)


def memory_folders() -> set[Path]:
    return set(MEMORY.glob("holdstill-demo-*"))


def table_of(image: Path) -> dict[str, object]:
    answer = json.loads(programs.run("sfdisk", "--json", image))["partitiontable"]
    rows = [(row["start"], row["type"]) for row in answer["partitions"]]
    return {"label": answer["label"], "id": answer["id"], "partitions": rows}


def test_the_demonstration_shows_what_it_says(tmp_path: Path) -> None:
    said, kept = io.StringIO(), tmp_path / "kept"
    before = memory_folders()

    report = scenario.run_demo(
        DemoDependencies(LocalRunner(), SystemClock(), Console(file=said, width=200), SHARES),
        keep=kept,
    )

    assert report.shortcoming == ""
    for capture in (report.first, report.second):
        assert [part.grade for part in capture.parts] == ["read-only", "point-in-time"]
        assert 0 < capture.frozen_ms < 5000
    # The second capture costs what the day changed, and what the gauge wrote.
    assert report.second.wire_bytes < report.first.wire_bytes / 3
    assert [one.broken for one in report.rebuilt] == [(), ()]
    assert all(one.done.checked_entries == one.done.entries > 1000 for one in report.rebuilt)
    assert report.taken_out.endswith("\tboathouse\n")
    assert "$ holdstill capture --settings board.yaml --json" in said.getvalue()

    for name, size in (("smaller", scenario.SMALLER), ("larger", scenario.LARGER)):
        image = kept / f"{name}.img"
        assert image.stat().st_size == size
        assert table_of(image) == table_of(kept / "card.img")
        programs.run("e2fsck", "-fn", f"{image}?offset={card.ROOT_START}")
        fat = tmp_path / "fat.img"
        with image.open("rb") as source:
            source.seek(card.FAT_START)
            fat.write_bytes(source.read(card.FAT_SIZE))
        programs.run("fsck.vfat", "-n", fat)
        assert programs.run("mtype", "-i", fat, "::/kernel8.img") == material.kernel()
    assert loop.loops_of(kept / "card.img") == []
    assert memory_folders() == before


def commands_of(folder: Path) -> list[str]:
    """Return the command lines of processes that have to do with a folder."""
    found = []
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = place.read_bytes()
        except OSError:
            continue
        if bytes(folder) in words:
            found.append(words.replace(b"\0", b" ").decode(errors="replace"))
    return found


def left_running(folder: Path) -> list[str]:
    """Return what still works there when it has had a moment to die of its signal."""
    deadline = time.monotonic() + 10
    while (found := commands_of(folder)) and time.monotonic() < deadline:
        time.sleep(0.1)
    return found


def wait_for(text: str, said: Path, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + 120
    while text not in said.read_text(encoding="utf-8"):
        assert process.poll() is None, said.read_text(encoding="utf-8")
        assert time.monotonic() < deadline, f"waited for {text!r}"
        time.sleep(0.05)


@pytest.mark.parametrize(
    ("number", "moment"),
    [
        (signal.SIGTERM, "Making the board"),
        (signal.SIGHUP, "$ holdstill inspect"),
        (signal.SIGINT, "$ holdstill capture"),
    ],
)
def test_an_interrupted_demonstration_leaves_nothing_behind(
    tmp_path: Path, number: signal.Signals, moment: str
) -> None:
    kept, said = tmp_path / "kept", tmp_path / "said"
    before = memory_folders()

    with said.open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "holdstill", "demo", "--keep", kept],
            stdout=output,
            stderr=output,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
            start_new_session=True,
        )
        try:
            wait_for(moment, said, process)
            time.sleep(0.7)
            process.send_signal(number)
            status = process.wait(timeout=90)
        finally:
            process.kill()
            process.wait()

    assert status == 130
    assert not (kept / "board").is_mount()
    assert loop.loops_of(kept / "card.img") == []
    assert left_running(kept) == []
    assert memory_folders() == before
