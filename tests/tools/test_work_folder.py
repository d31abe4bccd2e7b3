"""What a process that was killed had in progress is removed by the next."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.system import work_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

HOLDS_ONE = """
import sys, time
from pathlib import Path
from holdstill.system import work_folder
with work_folder.made(Path(sys.argv[1])) as folder:
    (folder / "attachment").write_bytes(b"a whole index")
    print(folder, flush=True)
    time.sleep(60)
"""


@pytest.fixture
def other(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    command = (sys.executable, "-c", HOLDS_ONE, os.fspath(tmp_path))
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        yield process
        process.kill()


def folder_of(process: subprocess.Popen[bytes]) -> Path:
    assert process.stdout is not None
    return Path(os.fsdecode(process.stdout.readline().strip()))


def test_what_a_killed_process_left_goes_and_what_a_live_one_has_stays(
    tmp_path: Path, other: subprocess.Popen[bytes]
) -> None:
    theirs = folder_of(other)

    with work_folder.made(tmp_path) as mine:
        assert set(tmp_path.iterdir()) == {mine, theirs}
        assert (theirs / "attachment").exists()
    other.send_signal(signal.SIGKILL)
    other.wait()
    with work_folder.made(tmp_path) as mine:
        assert set(tmp_path.iterdir()) == {mine}
