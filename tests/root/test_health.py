"""A card whose file system has noted errors says so wherever somebody looks."""

import json
import time
from pathlib import Path

import pytest

from support import boards
from support.boards import holdstill

TRIGGERS = Path("/sys/fs/ext4")


def errors_noted(settings: Path) -> int:
    found = json.loads(holdstill("inspect", "--settings", settings, "--json"))
    return int(found["health"]["file_systems"][0]["count"])


@pytest.mark.timeout(120)
def test_a_file_system_that_noted_errors_is_told_by_inspect_and_by_the_capture(
    tmp_path: Path,
) -> None:
    with boards.running(tmp_path) as board, boards.kept(tmp_path, board) as kept:
        good = json.loads(holdstill("inspect", "--settings", kept.settings, "--json"))
        # Linux Documentation/ABI/testing/sysfs-fs-ext4: the kernel itself notes an error.
        trigger = TRIGGERS / board.disk.partition(2).name / "trigger_fs_error"
        for _ in range(5):
            trigger.write_text("a test of card health", encoding="ascii")
        deadline = time.monotonic() + 20
        while errors_noted(kept.settings) < 5:  # the kernel writes them a little later
            assert time.monotonic() < deadline, "the kernel did not note its errors"
        bad = json.loads(holdstill("inspect", "--settings", kept.settings, "--json"))
        text = holdstill("inspect", "--settings", kept.settings).decode()
        holdstill("capture", "--settings", kept.settings, accepted=(8,))
        manifest = json.loads(holdstill("show", "pier-3", "--store", kept.store, "--json"))

    assert good["health"]["advice"] == []
    assert [a["urgency"] for a in bad["health"]["advice"]] == ["now"]
    assert "5 errors noted" in text
    assert "has noted 5 errors" in manifest["warnings"][0]
