"""status on the board tells what its last capture lacks, and of one that was refused."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from support import boards
from support.command_line import attempt, holdstill

if TYPE_CHECKING:
    from pathlib import Path

    from support.boards import Nearby

pytestmark = pytest.mark.timeout(120)
DEGRADED, REFUSED = 8, 4


def status(kept: Nearby) -> tuple[int, list[str], str]:
    """Return the exit code of status, what it finds, and what it says to people."""
    asked = ("status", "--settings", kept.settings, "--keeper-settings", "/nowhere")
    done = attempt(*asked, "--json")
    told = json.loads(done.stdout)["board"]["findings"]
    return done.returncode, [one["text"] for one in told], attempt(*asked).stdout.decode()


def test_what_is_missing_and_a_refused_capture_are_told_until_they_are_mended(
    tmp_path: Path,
) -> None:
    with (
        boards.running(tmp_path, size=160 << 20) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        fstab = board.root / "etc/fstab"
        before = fstab.read_text(encoding="ascii")
        fstab.write_text(before + "UUID=0badcafe-1111 /srv ext4 defaults 0 2\n", "ascii")
        holdstill("capture", "--settings", kept.settings, accepted=[DEGRADED])
        lacking = status(kept)
        settings = kept.settings.read_text(encoding="utf-8")
        kept.settings.write_text(settings + "leave_out: [2]\n", encoding="utf-8")
        holdstill("capture", "--settings", kept.settings, accepted=[REFUSED])
        refused = status(kept)
        kept.settings.write_text(settings, encoding="utf-8")
        fstab.write_text(before, encoding="ascii")
        holdstill("capture", "--settings", kept.settings)
        mended = status(kept)

    assert lacking[0] == DEGRADED
    assert [text for text in lacking[1] if text.startswith("/srv: missing: ")]
    assert "NEEDS A LOOK: /srv: missing: " in lacking[2]
    assert refused[0] == REFUSED
    assert "failed: leave_out: partition 2 holds the root file system" in refused[1][0]
    assert "what to do: a card without it does not boot" in refused[1][0]
    assert [text for text in refused[1] if text.startswith("/srv: missing: ")]
    assert "NEEDS A LOOK: the capture of 2" in refused[2]
    assert mended[1] == ["the daemon is not running: nothing is captured by itself"]
