"""inspect ends as a capture would that is refused, and says why in a sentence."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import pytest

from support import boards, loop, programs
from support.boards import holdstill
from support.command_line import attempt
from support.loop import MIB

if TYPE_CHECKING:
    from pathlib import Path

    from support.boards import Nearby

pytestmark = pytest.mark.timeout(120)
REFUSED = 4
MORE = boards.MBR.replace("start=90112,", "start=90112, size=262144,") + "start=352256, type=83\n"


def both(kept: Nearby) -> tuple[list[str], str, str]:
    """Return why inspect says that a capture is refused, its words, and those of the capture."""
    asked = ("inspect", "--settings", kept.settings, "--offline")
    refusals = json.loads(holdstill(*asked, "--json", accepted=[REFUSED]))["refusals"]
    words = " ".join(holdstill(*asked, accepted=[REFUSED]).decode().split())
    done = attempt("capture", "--settings", kept.settings)
    assert done.returncode == REFUSED
    return refusals, words, " ".join(done.stderr.decode().split())


def test_a_partition_above_raw_limit(tmp_path: Path) -> None:
    with (
        boards.running(tmp_path, script=MORE, size=200 * MIB) as board,
        boards.kept_nearby(tmp_path, board.root, more="raw_limit: 1M\n") as kept,
    ):
        with board.disk.partition(3).open("r+b") as slot:
            slot.write(os.urandom(1 << 20))
        (refusal,), words, captured = both(kept)
        with kept.settings.open("a", encoding="utf-8") as settings:
            settings.write("leave_out: [3]\n")
        holdstill("inspect", "--settings", kept.settings, "--offline")
        holdstill("capture", "--settings", kept.settings)

    why = "is above raw_limit (1.0 MiB): raise raw_limit to copy it as it is"
    assert refusal.startswith("partition 3 of ")
    assert why in refusal
    assert "A CAPTURE WOULD BE REFUSED: partition 3 of" in words
    assert why in captured


def test_a_root_on_none_of_the_disks(tmp_path: Path) -> None:
    other = loop.partitioned_image(tmp_path / "other.img", size=64 * MIB, script=boards.MBR)
    with loop.attached(other) as disk, boards.running(tmp_path, size=128 * MIB) as board:
        programs.run("mkfs.ext4", "-q", disk.partition(2))
        more = f"disks: [{disk.device}]\n"
        with boards.kept_nearby(tmp_path, board.root, more=more) as kept:
            (refusal,), words, captured = both(kept)

    why = f"no partition of {disk.device} is mounted at {board.root}"
    assert refusal.startswith(why)
    assert "what to do: check `root` and `disks`" in refusal
    assert "A CAPTURE WOULD BE REFUSED: no partition of" in words
    assert why.split(" is mounted", maxsplit=1)[0] in captured
