"""What the daemon has to learn, with no more powers than its unit leaves it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from support import programs

UNIT = Path(__file__).parents[2] / "systemd/holdstill-nightly.service"
PROGRAM = "from holdstill.board import fanotify; print(*fanotify.may_be_mapped())"
OPEN = (
    "import mmap, os, sys, time\n"
    "file = os.open(sys.argv[1], os.O_RDWR)\n"
    "if sys.argv[2] == 'mapped':\n"
    "    content = mmap.mmap(file, 0)\n"
    "    os.close(file)\n"
    "print('it is', flush=True)\n"
    "time.sleep(60)\n"
)


@pytest.mark.parametrize("how", ["open", "mapped"])
@pytest.mark.parametrize("user", [0, 65534])
def test_the_daemon_knows_what_services_of_any_user_can_write_to_by_a_mapping(
    tmp_path: Path, user: int, how: str
) -> None:
    lines = UNIT.read_text("ascii").splitlines()
    powers = [
        name.removeprefix("CAP_").lower()
        for line in lines
        if line.startswith("CapabilityBoundingSet=")
        for name in line.partition("=")[2].split()
    ]
    bounds = ",".join(["-all", *(f"+{name}" for name in powers)])
    file = tmp_path / "level.db"
    file.write_bytes(bytes(4096))
    with file.open("r+b") as opened:
        service = ["setpriv", f"--reuid={user}", "--clear-groups", sys.executable, "-c", OPEN]
        path = f"/proc/self/fd/{opened.fileno()}"
        file.chmod(0o666)
        with subprocess.Popen(
            [*service, path, how], stdout=subprocess.PIPE, pass_fds=[opened.fileno()]
        ) as process:
            try:
                assert process.stdout is not None
                assert process.stdout.readline() == b"it is\n"
                opened.close()
                told = programs.run(
                    *("setpriv", f"--bounding-set={bounds}", "--no-new-privs"),
                    *(sys.executable, "-c", PROGRAM),
                )
            finally:
                process.kill()
    assert b"%d" % file.stat().st_ino in told.split()
