"""The units as they are shipped, put on an emulated machine and asked how they are."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from support.vm import board

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.vm.machine import Machine

UNITS = board.PROJECT / "systemd"


def install(pier: Machine) -> None:
    """Put our files where a package would."""
    for path in sorted(UNITS.glob("holdstill-*")):
        pier.put(f"/etc/systemd/system/{path.name}", path.read_bytes())
    for kind in ("sysusers.d", "tmpfiles.d"):
        for path in sorted((UNITS / kind).iterdir()):
            pier.put(f"/usr/lib/{kind}/{path.name}", path.read_bytes())
    pier.run("systemd-sysusers")
    pier.run("systemd-tmpfiles", "--create", "holdstill-board.conf", "holdstill-keeper.conf")
    pier.run("systemctl", "daemon-reload")


def properties(pier: Machine, unit: str, names: str) -> dict[str, str]:
    """Return what systemd knows about a unit."""
    said = pier.run("systemctl", "show", unit, f"--property={names}").decode()
    return dict(line.split("=", 1) for line in said.splitlines())


def words(pier: Machine, unit: str) -> str:
    """Return what a unit has said."""
    return pier.run("journalctl", "--no-pager", "-o", "cat", "-u", unit).decode()


def wait(what: Callable[[], bool], seconds: float) -> None:
    """Ask every two seconds until it is so; fail when it takes too long."""
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline, "it took too long"
        time.sleep(2)
