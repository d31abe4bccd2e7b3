"""README's sections on installing, word for word, on a machine that has never heard of us."""

from __future__ import annotations

import json
import os
import re
import subprocess
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from support import programs
from support.vm import board, cycle, machine, offline
from support.vm.dialogue import on

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.vm.cycle import Keeper
    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]

README = (board.PROJECT / "README.md").read_text(encoding="utf-8")
STORE = "/srv/holdstill"
OWNER = """\
set -e
rm -rf /opt/holdstill /usr/local/bin/holdstill
apt-get install -y sudo </dev/null
useradd --create-home --shell /bin/bash harbour
echo 'harbour ALL=(ALL) NOPASSWD: ALL' >/etc/sudoers.d/harbour
mkdir /home/harbour/holdstill
tar -xC /home/harbour/holdstill
chown -R harbour:harbour /home/harbour
"""
"""A board as its owner has it: no agent, a user who may become root, and a checkout."""


def steps(heading: str) -> list[str]:
    """Return the commands that a section of README has a person type."""
    section = README.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line]


INSTALLING = steps("Installing")
KEEPING = steps("The keeper, once")


@dataclass
class Afternoon:
    """What was seen while somebody installed the agent."""

    seconds: dict[str, float] = field(default_factory=dict)
    questions: list[str] = field(default_factory=list)
    setup_seconds: float = 0.0
    status: int = -1
    said: str = ""
    shown: str = ""
    printed: str = ""
    nightly: bytes = b""
    timers: str = ""
    audit: bytes = b""
    captures: list[dict[str, object]] = field(default_factory=list)
    removed: bytes = b""
    left: list[str] = field(default_factory=list)
    captures_after: list[dict[str, object]] = field(default_factory=list)
    kept: bytes = b""
    keeper_timers: str = ""
    verified: bytes = b""


def install(pier: Machine, seen: Afternoon) -> None:
    """Type what README says, as the board's owner."""
    for step in INSTALLING:
        before = time.monotonic()
        as_owner(pier, step)
        seen.seconds[step] = round(time.monotonic() - before, 1)


def as_owner(pier: Machine, step: str) -> None:
    """Type a command in the checkout."""
    pier.run("runuser", "-l", "harbour", "-c", f"cd holdstill && {step}", timeout=1200)


def set_up(pier: Machine, at: Keeper, seen: Afternoon) -> None:
    """Answer the questions of set-up, with a second window open at the keeper."""
    before = time.monotonic()
    with on(pier, "runuser", "-l", "harbour", "-c", "sudo holdstill setup") as talk:
        host = f"{cycle.HOST_AS_SEEN_BY_BOARDS}:{at.server.port}"
        talk.answer(r"Where do captures go .*: $", f"ssh://{at.server.user}@{host}")
        talk.answer(r"This board's name .*: $", "")
        talk.answer(r"Local time of .*: $", "")
        seen.shown = talk.answer(r"Does it print the same .*: $", "y")
        told = talk.until(r"^echo 'ssh-ed25519 .*\n", 300)
        paste(at, told.strip().splitlines()[-1])
        talk.answer(r"Press Enter when it is done.*: $", "")
        talk.answer(r"Take a first capture now .*: $", "y", 300)
        seen.status = talk.ended(1800)
    seen.setup_seconds = round(time.monotonic() - before, 1)
    seen.said, seen.questions = talk.said, talk.questions


def paste(at: Keeper, line: str) -> None:
    """Run the printed line in the keeper's shell; this keeper's store is in another place."""
    home = at.server.folder / "home"
    (home / ".ssh").mkdir(parents=True)
    (home / "holdstill").symlink_to(cycle.HOLDSTILL)
    environment = {**os.environ, "HOME": str(home), "PATH": f"{home}:/usr/bin:/bin"}
    line = line.replace(STORE, str(at.store))
    subprocess.run(["sh", "-c", line], env=environment, check=True, capture_output=True)
    lines = (home / ".ssh/authorized_keys").read_text(encoding="utf-8").splitlines()
    at.server.authorize(*lines)


def captures(at: Keeper) -> list[dict[str, object]]:
    """Return what the keeper has, every byte of it read again."""
    at.run("verify", "--store", at.store, timeout=600)
    listed = json.loads(at.run("list", "pier-3", "--store", at.store, "--json"))
    found: list[dict[str, object]] = listed["pier-3"]
    return found


def look(pier: Machine, at: Keeper, seen: Afternoon) -> None:
    """See what set-up has left running, and run the audit as its timer would."""
    seen.nightly = pier.run("systemctl", "is-active", "holdstill-nightly")
    seen.timers = pier.run("systemctl", "list-timers", "--no-legend", "holdstill-*").decode()
    pier.run("systemctl", "start", "holdstill-audit.service", timeout=1200)
    seen.audit = pier.run("systemctl", "show", "-P", "Result", "holdstill-audit.service")
    seen.captures = captures(at)


def take_away(pier: Machine, at: Keeper, seen: Afternoon) -> None:
    """Remove it again, as README says."""
    words = "sudo holdstill setup --remove --yes"
    seen.removed = pier.run("runuser", "-l", "harbour", "-c", words, timeout=120)
    ours = ("find", "/etc", "/var/lib", "/run", "-xdev", "-name", "*holdstill*")
    seen.left = pier.run(*ours).decode().split()
    seen.captures_after = captures(at)


def keep(pier: Machine, seen: Afternoon) -> None:
    """Make the machine a keeper, as README says, and use it as its user and its timers do."""
    for step in KEEPING:
        as_owner(pier, step)
    seen.kept = pier.run("runuser", "-l", "keeper", "-c", "holdstill list")
    timers = ("systemctl", "list-timers", "--no-legend", "holdstill-keeper-*")
    seen.keeper_timers = pier.run(*timers).decode()
    pier.run("systemctl", "start", "holdstill-keeper-verify.service", timeout=600)
    asked = ("systemctl", "show", "-P", "Result", "holdstill-keeper-verify.service")
    seen.verified = pier.run(*asked)


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Afternoon:
    folder = tmp_path_factory.mktemp("installing")
    card = board.build_card(board.tree(), folder / "card.img")
    hardware = machine.Hardware(reaches_host=True)
    noticed = Afternoon()
    with (
        cycle.keeper(folder) as at,
        machine.booted(card, machine.from_sd_card(card.image), hardware=hardware) as pier,
    ):
        pier.run("systemctl", "is-system-running", "--wait", timeout=300)
        wanted = re.findall(r"apt-get install -y (.*)", "\n".join(INSTALLING))[0].split()
        offline.supply(pier, folder, (*wanted, "sudo"))
        pier.run("bash", "-c", OWNER, stdin=offline.checkout(), timeout=600)
        install(pier, noticed)
        set_up(pier, at, noticed)
        look(pier, at, noticed)
        take_away(pier, at, noticed)
        keep(pier, noticed)
        key = at.server.folder / "host_key.pub"
        noticed.printed = programs.run("ssh-keygen", "-lf", key).decode()
    return noticed


def test_the_steps_of_the_guide_install_it(
    seen: Afternoon, measured: Callable[[str], None]
) -> None:
    for step, seconds in seen.seconds.items():
        measured(f"{seconds} s: {step}")

    assert len(seen.seconds) == len(INSTALLING) > 3


def test_set_up_asks_little_and_ends_with_a_sealed_capture(
    seen: Afternoon, measured: Callable[[str], None]
) -> None:
    measured(f"{len(seen.questions)} questions, {seen.setup_seconds} s: {seen.questions}")

    assert seen.status in {0, 8}, seen.said
    assert len(seen.questions) <= 6
    assert "Sealed pier-3/000001-" in seen.said
    assert [capture["faults"] for capture in seen.captures] == [[]]


def test_the_fingerprint_that_is_shown_is_the_one_that_the_keeper_prints(
    seen: Afternoon,
) -> None:
    (shown,) = re.findall(r"SHA256:\S+", seen.shown)

    # OpenSSH's own tool is the witness.
    assert seen.printed.split()[1] == shown


def test_nights_are_on_and_the_audit_runs_under_its_own_restrictions(seen: Afternoon) -> None:
    assert seen.nightly == b"active\n"
    assert "holdstill-audit.timer" in seen.timers
    assert seen.audit == b"success\n"


def test_removing_it_leaves_the_captures_and_nothing_on_the_board(seen: Afternoon) -> None:
    assert b"/etc/holdstill/board.yaml" in seen.removed
    assert seen.left == []
    assert seen.captures_after == seen.captures


def test_the_steps_for_the_keeper_make_one_whose_timers_run(seen: Afternoon) -> None:
    assert len(KEEPING) > 7
    assert b"no boards yet" in seen.kept  # the store was found without being named
    for deed in ("verify", "thin", "watch"):
        assert f"holdstill-keeper-{deed}.timer" in seen.keeper_timers
    assert seen.verified == b"success\n"
