"""README's "Installing" and "The keeper, once", word for word, where nobody has heard of us.

A board is set up for a keeper elsewhere, and that is undone. Then the same machine is made a
keeper, with the store on a disk of its own, and captures itself over its own SSH server.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from support import programs
from support.vm import board, cycle, machine, offline, units
from support.vm.dialogue import on

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from support.vm.cycle import Keeper
    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]

README = (board.PROJECT / "README.md").read_text(encoding="utf-8")
STORE = "/srv/holdstill"
STORE_DISK = "/dev/vdb"
SERVICES = {"verify": "every content is good", "thin": "pier-3", "watch": "pier-3"}
"""What README has a keeper's owner enable timers for, and words of each one's success."""
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


def steps(title: str) -> list[str]:
    """Return the commands that a section of README has a person type."""
    section = README.partition(f"\n## {title}\n")[2].partition("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line]


INSTALLING, THE_KEEPER = steps("Installing"), steps("The keeper, once")


@dataclass(frozen=True)
class Talk:
    """What set-up asked and said; introduced is what it said of the keeper's host key."""

    seconds: float
    questions: list[str]
    status: int
    said: str
    introduced: str

    @property
    def fingerprint(self) -> str:
        """The fingerprint that was shown."""
        (shown,) = re.findall(r"SHA256:\S+", self.introduced)
        return str(shown)


@dataclass(frozen=True)
class Afternoon:
    """What was seen while somebody installed the agent, and took it away again.

    Attributes:
        printed: the keeper's fingerprint, as OpenSSH's own tool prints it there.
    """

    seconds: dict[str, float]
    talk: Talk
    printed: str
    nightly: bytes
    timers: str
    audit: bytes
    captures: list[dict[str, object]]
    removed: bytes
    left: list[str]
    captures_after: list[dict[str, object]]


@dataclass(frozen=True)
class Evening:
    """What was seen when the same machine was made a keeper.

    Attributes:
        printed: the fingerprint, as the command prints it that set-up names.
        services: of each of the keeper's services, its result and its words.
    """

    seconds: dict[str, float]
    talk: Talk
    printed: str
    timers: str
    captures: list[dict[str, object]]
    services: dict[str, tuple[str, str]]


def as_owner(pier: Machine, command: str, stdin: bytes = b"") -> bytes:
    """Return what a command wrote that the machine's owner typed."""
    return pier.run("runuser", "-l", "harbour", "-c", command, stdin=stdin, timeout=1200)


def typed(pier: Machine, commands: Sequence[str]) -> dict[str, float]:
    """Type what README says, in the checkout; return how long each took."""
    seconds = {}
    for command in commands:
        before = time.monotonic()
        as_owner(pier, f"cd holdstill && {command}")
        seconds[command] = round(time.monotonic() - before, 1)
    return seconds


def set_up(pier: Machine, keeper: str, paste: Callable[[str], object]) -> Talk:
    """Answer the questions of set-up, with a second window open at the keeper."""
    before = time.monotonic()
    with on(pier, "runuser", "-l", "harbour", "-c", "sudo holdstill setup") as talk:
        talk.answer(r"Where do captures go .*: $", keeper)
        introduced = talk.answer(r"Does it print the same .*: $", "y")
        told = talk.until(r"^echo 'ssh-ed25519 .*\n", 300)
        paste(told.strip().splitlines()[-1])
        talk.answer(r"Press Enter when it is done.*: $", "")
        talk.answer(r"Take a first capture now .*: $", "y", 300)
        status = talk.ended(1800)
    seconds = round(time.monotonic() - before, 1)
    return Talk(seconds, talk.questions, status, talk.said, introduced)


def installed(pier: Machine, at: Keeper) -> Afternoon:
    """Install the agent, set it up, see what that has left running, and remove it again."""
    seconds = typed(pier, INSTALLING)
    address = f"{cycle.HOST_AS_SEEN_BY_BOARDS}:{at.server.port}"
    talk = set_up(pier, f"ssh://{at.server.user}@{address}", lambda line: paste(at, line))
    nightly = pier.run("systemctl", "is-active", "holdstill-nightly")
    timers = listed_timers(pier)
    # As its timer would.
    pier.run("systemctl", "start", "holdstill-audit.service", timeout=1200)
    audit = pier.run("systemctl", "show", "-P", "Result", "holdstill-audit.service")
    kept = captures(at)
    removed = as_owner(pier, "sudo holdstill setup --remove --yes")
    ours = ("find", "/etc", "/var/lib", "/run", "-xdev", "-name", "*holdstill*")
    return Afternoon(
        seconds=seconds,
        talk=talk,
        printed=programs.run("ssh-keygen", "-lf", at.server.folder / "host_key.pub").decode(),
        nightly=nightly,
        timers=timers,
        audit=audit,
        captures=kept,
        removed=removed,
        left=pier.run(*ours).decode().split(),
        captures_after=captures(at),
    )


def listed_timers(pier: Machine) -> str:
    """Return what systemd says of our timers."""
    return pier.run("systemctl", "list-timers", "--no-legend", "holdstill-*").decode()


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
    """Return what the keeper has, every byte of it read again; not when that was."""
    at.run("verify", "--store", at.store, timeout=600)
    listed = json.loads(at.run("list", "pier-3", "--store", at.store, "--json"))
    return [{**brief, "verified_at": ""} for brief in listed["boards"]["pier-3"]]


def made_a_keeper(pier: Machine) -> Evening:
    """Make the machine a keeper, and set it up as a board of that keeper."""
    pier.run("mkfs.ext4", "-q", STORE_DISK)
    pier.run("mount", STORE_DISK, "/srv")
    seconds = typed(pier, THE_KEEPER)
    talk = set_up(
        pier,
        "ssh://keeper@127.0.0.1",
        lambda line: as_owner(pier, "sudo -iu keeper", stdin=f"{line}\n".encode()),
    )
    (ask,) = re.findall(r"ssh-keygen -lf [\w/]+\.pub", talk.introduced)
    # From then on, README says, no command there needs --store.
    listed = json.loads(as_owner(pier, "sudo holdstill list pier-3 --json"))
    return Evening(
        seconds=seconds,
        talk=talk,
        printed=as_owner(pier, ask).decode(),
        timers=listed_timers(pier),
        captures=listed["boards"]["pier-3"],
        services={deed: service(pier, f"holdstill-keeper-{deed}.service") for deed in SERVICES},
    )


def service(pier: Machine, unit: str) -> tuple[str, str]:
    """Start a service as its timer would; return its result and its words."""
    pier.run("bash", "-c", f"systemctl start {unit} || true", timeout=600)
    return units.properties(pier, unit, "Result")["Result"], units.words(pier, unit)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Afternoon, Evening]:
    folder = tmp_path_factory.mktemp("installing")
    card = board.build_card(board.tree(), folder / "card.img")
    disk = folder / "store.img"
    disk.touch()
    os.truncate(disk, 2 << 30)
    more = ("-drive", f"file={disk},format=raw,if=virtio,cache=unsafe")
    hardware = machine.Hardware(reaches_host=True)
    with (
        cycle.keeper(folder) as at,
        machine.booted(card, (*machine.from_uefi(card.image), *more), hardware=hardware) as pier,
    ):
        pier.run("systemctl", "is-system-running", "--wait", timeout=300)
        wanted = re.findall(r"apt-get install -y (.*)", "\n".join(INSTALLING))[0].split()
        offline.supply(pier, folder, (*wanted, "sudo"))
        pier.run("bash", "-c", OWNER, stdin=offline.checkout(), timeout=600)
        return installed(pier, at), made_a_keeper(pier)


@pytest.fixture(scope="module")
def seen(day: tuple[Afternoon, Evening]) -> Afternoon:
    return day[0]


@pytest.fixture(scope="module")
def evening(day: tuple[Afternoon, Evening]) -> Evening:
    return day[1]


def test_the_steps_of_the_guide_install_it(
    seen: Afternoon, measured: Callable[[str], None]
) -> None:
    for step, seconds in seen.seconds.items():
        measured(f"{seconds} s: {step}")

    assert len(seen.seconds) == len(INSTALLING) > 3


def test_set_up_asks_little_and_ends_with_a_sealed_capture(
    seen: Afternoon, measured: Callable[[str], None]
) -> None:
    talk = seen.talk
    measured(f"{len(talk.questions)} questions, {talk.seconds} s: {talk.questions}")

    assert talk.status in {0, 8}, talk.said
    assert len(talk.questions) <= 6
    assert "Sealed pier-3/000001-" in talk.said
    assert [capture["faults"] for capture in seen.captures] == [[]]


def test_the_fingerprint_that_is_shown_is_the_one_that_the_keeper_prints(
    seen: Afternoon, evening: Evening
) -> None:
    # OpenSSH's own tool is the witness.
    assert seen.printed.split()[1] == seen.talk.fingerprint
    assert evening.printed.split()[1] == evening.talk.fingerprint


def test_nights_are_on_and_the_audit_runs_under_its_own_restrictions(seen: Afternoon) -> None:
    assert seen.nightly == b"active\n"
    assert "holdstill-audit.timer" in seen.timers
    assert seen.audit == b"success\n"


def test_removing_it_leaves_the_captures_and_nothing_on_the_board(seen: Afternoon) -> None:
    assert b"/etc/holdstill/board.yaml" in seen.removed
    assert seen.left == []
    assert seen.captures_after == seen.captures


def test_the_steps_of_the_guide_make_a_keeper_that_takes_a_capture(
    evening: Evening, measured: Callable[[str], None]
) -> None:
    for step, seconds in evening.seconds.items():
        measured(f"{seconds} s: {step}")
    measured(f"set-up and a capture of itself: {evening.talk.seconds} s")

    assert len(evening.seconds) == len(THE_KEEPER) == 1
    assert evening.talk.status in {0, 8}, evening.talk.said
    assert "Sealed pier-3/000001-" in evening.talk.said
    assert [capture["faults"] for capture in evening.captures] == [[]]


@pytest.mark.parametrize("deed", SERVICES)
def test_what_the_guide_enables_at_the_keeper_does_its_work(evening: Evening, deed: str) -> None:
    result, words = evening.services[deed]

    assert f"holdstill-keeper-{deed}.timer" in evening.timers
    assert result == "success", words
    assert SERVICES[deed] in words
