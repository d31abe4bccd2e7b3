"""The units as they are shipped, under a real systemd: what they forbid must not be needed.

A board whose daemon makes up for a missed night over the network; its end by kill -9; and the
keeper's services in their sandboxes, on a small store.
"""

from __future__ import annotations

import io
import json
import tarfile
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.model.nightly_state import NightlyState, RunOutcome
from support import boathouse
from support.vm import board, cycle, machine, units

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(2400)]

NIGHTS = "/var/lib/holdstill/nights.json"
MISSED = msgspec.json.encode(NightlyState(served="2026-01-01"))
AT_ONCE = """\
nightly: {spread_minutes: 0, settle_minutes: 0, clock_minutes: 0, retry_hours: 0}
"""
HOOK = """\
hooks:
  - name: tide-gauge
    how: stop
    subject: tide-gauge.service
"""
SOON = "[Service]\nRestartSec=1\n"
KEEPERS = ("verify", "thin", "watch")
ASKED = "ActiveState,Result,NRestarts,StatusText,NotifyAccess,ExecMainStatus"


@dataclass
class Evening:
    """What was seen on the board.

    Attributes:
        first: how the run ended that was let be; killed: the one that was killed.
        properties: what systemd says of the daemon after each of the two.
        stop_seconds: how long the daemon took to stop.
        gauge: whether the service that the hook stops was running in the end.
        services: of each keeper's service, its result and its words.
    """

    first: RunOutcome
    killed: RunOutcome
    properties: list[dict[str, str]]
    journal: str
    stop_seconds: float
    gauge: bytes
    services: dict[str, tuple[str, str]]


def install(pier: Machine) -> None:
    """Put our files where a package would, with a daemon that comes back quickly."""
    units.install(pier)
    pier.put("/etc/systemd/system/holdstill-nightly.service.d/soon.conf", SOON.encode())
    pier.run("systemctl", "daemon-reload")


def last_run(pier: Machine) -> RunOutcome | None:
    """Return how the daemon's last run ended."""
    return msgspec.json.decode(pier.run("cat", NIGHTS), type=NightlyState).last


def let_a_night_be_missed(pier: Machine) -> None:
    """Make the next start of the daemon begin a run at once."""
    pier.run("mkdir", "-p", "-m", "700", "/var/lib/holdstill")
    pier.put(NIGHTS, MISSED)


def first_night(pier: Machine) -> RunOutcome:
    """Start the daemon, and wait for the end of its run."""
    let_a_night_be_missed(pier)
    pier.run("systemctl", "start", "holdstill-nightly")
    units.wait(lambda: last_run(pier) is not None, 900)
    outcome = last_run(pier)
    assert outcome is not None
    return outcome


def killed_night(pier: Machine) -> RunOutcome:
    """Kill the daemon in the middle of a run, and wait for the one that systemd starts."""
    let_a_night_be_missed(pier)
    pier.run("systemctl", "start", "holdstill-nightly")
    units.wait(
        lambda: (
            "while the board runs"
            in units.properties(pier, "holdstill-nightly", ASKED)["StatusText"]
        ),
        120,
    )
    pier.run("systemctl", "kill", "--signal=KILL", "--kill-who=main", "holdstill-nightly")
    units.wait(lambda: last_run(pier) is not None, 120)
    outcome = last_run(pier)
    assert outcome is not None
    return outcome


def keeper_services(pier: Machine, folder: Path) -> dict[str, tuple[str, str]]:
    """Give the machine a small store with real signatures, and start the keeper's services."""
    with boathouse.running(folder) as house:
        name = house.enrol("slipway-1")
        with house.keeper(name) as keeper:
            house.board(keeper, name).capture()
        packed = io.BytesIO()
        with tarfile.open(fileobj=packed, mode="w") as tar:
            tar.add(house.store.root, "holdstill")
    pier.run("tar", "-x", "-C", "/srv", stdin=packed.getvalue())
    pier.run("chown", "-R", "keeper:keeper", "/srv/holdstill")
    pier.put("/etc/holdstill/keeper.yaml", b"store: /srv/holdstill\n")
    pier.run("chmod", "755", "/etc/holdstill")
    pier.run("chmod", "644", "/etc/holdstill/keeper.yaml")
    found = {}
    for deed in KEEPERS:
        unit = f"holdstill-keeper-{deed}.service"
        pier.run("bash", "-c", f"systemctl start {unit} || true", timeout=300)
        result = units.properties(pier, unit, ASKED)["Result"]
        found[deed] = (result, units.words(pier, unit))
    return found


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Evening:
    folder = tmp_path_factory.mktemp("evening")
    card = board.build_card(board.tree(), folder / "card.img")
    hardware = machine.Hardware(reaches_host=True)
    with (
        cycle.keeper(folder) as at,
        machine.booted(card, machine.from_sd_card(card.image), hardware=hardware) as pier,
    ):
        cycle.prepare(pier)
        cycle.enrol(pier, at)
        pier.put("/etc/holdstill/board.yaml", at.settings + (AT_ONCE + HOOK).encode())
        install(pier)
        first = first_night(pier)
        seen = [units.properties(pier, "holdstill-nightly", ASKED)]
        before = time.monotonic()
        pier.run("systemctl", "stop", "holdstill-nightly")
        stop_seconds = time.monotonic() - before
        killed = killed_night(pier)
        seen.append(units.properties(pier, "holdstill-nightly", ASKED))
        journal = pier.run("journalctl", "--no-pager", "-o", "json", "-u", "holdstill-nightly")
        gauge = pier.run("systemctl", "is-active", "tide-gauge")
        (folder / "house").mkdir()
        services = keeper_services(pier, folder / "house")
    return Evening(first, killed, seen, journal.decode(), stop_seconds, gauge, services)


def test_the_daemon_captures_under_its_own_restrictions(
    evening: Evening, measured: Callable[[str], None]
) -> None:
    measured(f"run {evening.first.seconds} s, frozen {evening.first.frozen_ms} ms")
    measured(f"stopped after {evening.stop_seconds:.2f} s")

    # No warning: the guard got its locked memory and priority, and the FAT was held still, too.
    assert (evening.first.code, evening.first.warnings) == (0, ())
    assert evening.first.frozen_ms > 0


def test_systemd_hears_from_the_daemon(evening: Evening) -> None:
    assert evening.properties[0]["ActiveState"] == "active"
    assert evening.properties[0]["StatusText"].startswith("waiting for the night; next run 20")


def test_lines_of_the_log_have_their_levels(evening: Evening) -> None:
    entries = [json.loads(line) for line in evening.journal.splitlines()]
    levels = {str(entry["MESSAGE"]): entry["PRIORITY"] for entry in entries}

    sealed = [level for text, level in levels.items() if text.startswith("sealed pier-3/")]
    failed = [level for text, level in levels.items() if text.startswith("no capture, exit")]
    assert (sealed, failed) == (["6"], ["3"])


def test_a_killed_daemon_is_started_again_and_gives_that_run_up(evening: Evening) -> None:
    assert evening.properties[1]["NRestarts"] == "1"
    assert evening.properties[1]["ActiveState"] == "active"
    assert evening.killed.code == 70
    assert "ended from outside" in evening.killed.what
    assert evening.gauge == b"active\n"


@pytest.mark.parametrize("deed", KEEPERS)
def test_a_keepers_service_does_its_work_in_its_sandbox(evening: Evening, deed: str) -> None:
    result, words = evening.services[deed]

    assert result == "success", words
    expected = {"verify": "every content is good", "thin": "slipway-1", "watch": "slipway-1"}
    assert expected[deed] in words
