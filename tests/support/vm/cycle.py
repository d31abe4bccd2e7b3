"""The whole life of a capture: a board, its keeper over the network, a rebuilt card, its boot.

Each step notes what a test may want to judge, and how long it took. The board is an emulated
one, the keeper a real sshd on loopback, which the board sees at 10.0.2.2 (the emulator's user
networking). All commands are those that a user would type.
"""

from __future__ import annotations

import base64
import json
import sys
import time
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from support import programs, sshd
from support.vm import board, evidence, machine

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from holdstill.demo.gauge_check import Found

HOLDSTILL = Path(sys.executable).with_name("holdstill")
HOST_AS_SEEN_BY_BOARDS = "10.0.2.2"
ODD = "/srv/odd"
STILL = (ODD, "/etc", "/usr/bin", "/usr/sbin", "/root", "/boot", "/boot/firmware")
"""Where nothing changes while the board runs, but for what is listed in RESTLESS."""
STORE = "boathouse"
"""Name of the store in the folder of a keeper."""
RESTLESS = (b"/etc/tide-gauge", b"/etc/resolv.conf", b"/root/stall")
INSTALLED = {
    b"/boot/firmware/ldlinux.sys": ("mtime_ns", "sha256"),
    b"/boot/firmware/ldlinux.c32": ("mtime_ns",),
}
"""Files that the installer of SYSLINUX writes, and what of them is not the copy's to keep."""
SETTINGS = """\
board: pier-3
keeper: ssh://{user}@{host}:{port}
"""


class Report(msgspec.Struct):
    """What a capture says of itself, as far as the tests judge it."""

    name: str
    parts: list[dict[str, object]]
    frozen_ms: float
    window_ms: float
    rounds: int
    spool_bytes: int
    seconds: float
    wire_bytes: int
    warnings: list[str]


class Moment(msgspec.Struct):
    """The instant of a capture on the board's clock that is never set."""

    monotonic: float


class Sealed(msgspec.Struct):
    """What a manifest says, as far as the tests judge it."""

    moment: Moment


class Stall(msgspec.Struct):
    """What the writes of a service of the board took."""

    writes: int
    median_s: float
    longest_s: list[float]


@dataclass(frozen=True)
class Keeper:
    """A store on this machine, and the server through which boards reach it."""

    store: Path
    server: sshd.Sshd

    def run(self, *words: str | Path, stdin: bytes = b"", timeout: float = 300) -> bytes:
        """Run holdstill at the keeper, as its owner would."""
        return programs.run(HOLDSTILL, *words, stdin=stdin, timeout=timeout)

    @property
    def settings(self) -> bytes:
        """What a board's settings file says about this keeper."""
        return SETTINGS.format(
            user=self.server.user, host=HOST_AS_SEEN_BY_BOARDS, port=self.server.port
        ).encode()

    @property
    def host_keys(self) -> bytes:
        """The pin that a board keeps of this keeper."""
        line = f"[{HOST_AS_SEEN_BY_BOARDS}]:{self.server.port} {self.server.host_key}\n"
        return line.encode()


@dataclass
class Original:
    """What was seen on the board around its capture.

    Attributes:
        instant_ns: the capture's moment on the board's wall clock.
        entries: what lies in the still directories, told by a witness of our own.
        agent_kib: the agent's peak of resident memory, agent_cpu_s its processor time.
    """

    report: Report
    stall: Stall
    instant_ns: int
    entries: dict[bytes, dict[str, object]]
    machine_id: bytes
    steps: list[str]
    agent_kib: int
    agent_cpu_s: float


@dataclass
class Copy:
    """What was seen on the rebuilt board."""

    state: bytes
    failed_units: bytes
    devices: bytes
    found: Found
    readings: tuple[int, int]
    entries: dict[bytes, dict[str, object]]
    machine_id: bytes


@dataclass
class Stopwatch:
    """Notes how long each step took."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Time one step."""
        before = time.monotonic()
        yield
        self.seconds[name] = round(time.monotonic() - before, 1)

    def __str__(self) -> str:
        return ", ".join(f"{name} {seconds} s" for name, seconds in self.seconds.items())


@dataclass(frozen=True)
class Course:
    """What a life goes through.

    Attributes:
        starts, copy_starts: how the original and the copy are booted.
        load: what runs on the original during the capture, beside the gauge.
        asked: what else the copy is asked; the answer is in Life.answer.
    """

    flavour: board.Flavour = board.PLAIN
    ids: board.Ids = field(default_factory=board.Ids)
    hardware: machine.Hardware = field(default_factory=machine.Hardware)
    starts: Callable[[Path], tuple[str, ...]] = machine.from_sd_card
    copy_starts: Callable[[Path], tuple[str, ...]] = machine.from_uefi
    load: Callable[[machine.Machine], AbstractContextManager[object]] = nullcontext
    asked: Callable[[machine.Machine], bytes] = lambda _: b""


@dataclass(frozen=True)
class Life:
    """One capture, from the running board to the rebuilt one."""

    card: board.Card
    original: Original
    copy: Copy
    answer: bytes
    watch: Stopwatch


def live(folder: Path, course: Course) -> Life:
    """Boot a board, capture it over the network, rebuild its card and boot that alone."""
    watch = Stopwatch()
    with watch.step("tree"):
        tree = board.tree(course.flavour)
    with watch.step("card"):
        card = board.build_card(tree, folder / "card.img", ids=course.ids)
    with keeper(folder) as at:
        original = be_captured(card, at, course, watch)
        # The card is lost here, with the board on it: nobody shut it down.
        with watch.step("rebuild"):
            rebuilt = rebuild(at, folder / "rebuilt.img", card)
    hardware = replace(course.hardware, reaches_host=False)
    with machine.booted(rebuilt, course.copy_starts(rebuilt.image), hardware=hardware) as pier:
        watch.seconds["login to the copy"] = pier.seconds_to_login
        with watch.step("a look at the copy"):
            copy, answer = look(pier), course.asked(pier)
        pier.stop()
    return Life(card, original, copy, answer, watch)


def be_captured(card: board.Card, at: Keeper, course: Course, watch: Stopwatch) -> Original:
    """Boot the original, capture it under load, and cut its power."""
    hardware = replace(course.hardware, reaches_host=True)
    with machine.booted(card, course.starts(card.image), hardware=hardware) as pier:
        watch.seconds["login"] = pier.seconds_to_login
        with watch.step("enrolment"):
            prepare(pier)
            enrol(pier, at)
        with course.load(pier), watch.step("capture"):
            return capture(pier, at)


@contextmanager
def keeper(folder: Path) -> Iterator[Keeper]:
    """Run a keeper whose files lie in the folder, with a new store."""
    with serving(folder) as made:
        made.run("keeper", "init", made.store)
        yield made


@contextmanager
def serving(folder: Path) -> Iterator[Keeper]:
    """Run the server of a keeper whose store lies in the folder, or is made there later."""
    (folder / "server").mkdir(parents=True)
    with sshd.running(folder / "server") as server:
        yield Keeper(folder / STORE, server)


def enrol(pier: machine.Machine, at: Keeper) -> None:
    """Give a board a key, and introduce board and keeper to each other."""
    pier.run("mkdir", "-p", "-m", "700", "/etc/holdstill")
    pier.run("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", "/etc/holdstill/board_ed25519")
    introduce(pier, at)


def introduce(pier: machine.Machine, at: Keeper) -> None:
    """Introduce a board that has a key to its keeper; again, when that has another server."""
    public = pier.run("cat", "/etc/holdstill/board_ed25519.pub")
    line = at.run("keeper", "enrol", at.store, "pier-3", "--key", "-", stdin=public)
    at.server.authorize(line.decode().strip())
    pier.put("/etc/holdstill/board.yaml", at.settings)
    pier.put("/etc/holdstill/keeper_host_keys", at.host_keys)


def prepare(pier: machine.Machine) -> None:
    """Wait until the board is up, and give it an entry of every kind."""
    pier.run("systemctl", "is-system-running", "--wait", timeout=180)
    pier.run("python3", "-", ODD, stdin=(board.GUEST / "odd.py").read_bytes())


def capture(pier: machine.Machine, at: Keeper) -> Original:
    """Take a capture over the network while the gauge, and one more writer, write."""
    witness = ("python3", "-c", (board.GUEST / "stall.py").read_text(), "/root/stall")
    script = (board.GUEST / "costs.py").read_bytes()
    with pier.started(*witness) as writer:
        costs = json.loads(pier.run("python3", "-", stdin=script, timeout=3000))
        stall, said = writer.communicate(b"stop")
    assert writer.returncode == 0, said
    report = msgspec.json.decode(costs["report"], type=Report)
    shown = at.run("show", "pier-3", "--store", at.store, "--json")
    moment = msgspec.json.decode(shown, type=Sealed).moment
    return Original(
        report=report,
        stall=msgspec.json.decode(stall, type=Stall),
        instant_ns=wall_clock(pier, moment.monotonic),
        entries=fingerprint(pier),
        machine_id=pier.run("cat", "/etc/machine-id"),
        steps=costs["steps"],
        agent_kib=costs["peak_kib"],
        agent_cpu_s=costs["cpu_s"],
    )


def wall_clock(pier: machine.Machine, monotonic: float) -> int:
    """Return what the board's wall clock showed at a moment of its other clock."""
    ask = "import time; print(time.time_ns() - time.monotonic_ns())"
    return int(pier.run("python3", "-c", ask)) + int(monotonic * 1e9)


def fingerprint(pier: machine.Machine) -> dict[bytes, dict[str, object]]:
    """Ask the witness for every entry in the still directories."""
    script = (board.GUEST / "fingerprint.py").read_bytes()
    lines = pier.run("python3", "-", *STILL, stdin=script, timeout=300).splitlines()
    entries = {base64.b64decode(entry["path"]): entry for entry in map(json.loads, lines)}
    return {path: entry for path, entry in entries.items() if not path.startswith(RESTLESS)}


def rebuild(at: Keeper, image: Path, like: board.Card) -> board.Card:
    """Rebuild the newest capture at the keeper."""
    at.run("rebuild", "pier-3", image, "--store", at.store, timeout=600)
    return board.Card(image, like.ids, like.tree)


def _comparable(entries: dict[bytes, dict[str, object]]) -> dict[bytes, dict[str, object]]:
    """Leave out what no rebuild can keep: SYSLINUX is installed anew, and names its sectors."""
    return {
        path: {key: value for key, value in entry.items() if key not in INSTALLED.get(path, ())}
        for path, entry in entries.items()
    }


def differing_entries(life: Life) -> dict[bytes, tuple[object, object]]:
    """Return what the witness saw differently on the original and on the copy."""
    return differing(life.original, life.copy)


def differing(original: Original, copy: Copy) -> dict[bytes, tuple[object, object]]:
    """Return what the witness saw differently on a board and on its copy."""
    before, after = _comparable(original.entries), _comparable(copy.entries)
    return {
        path: (before.get(path), after.get(path))
        for path in before.keys() | after.keys()
        if before.get(path) != after.get(path)
    }


def look(pier: machine.Machine) -> Copy:
    """Look around on a rebuilt board."""
    state = pier.run("systemctl", "is-system-running", "--wait", timeout=180)
    return Copy(
        state=state,
        failed_units=pier.run("systemctl", "--failed", "--no-legend"),
        devices=pier.run("lsblk", "-rnpo", "PARTUUID,UUID,LABEL,MOUNTPOINT"),
        found=evidence.decode(pier.run("cat", "/run/tide-gauge/found.json")),
        readings=(evidence.newest_reading(pier), evidence.newest_reading(pier)),
        entries=fingerprint(pier),
        machine_id=pier.run("cat", "/etc/machine-id"),
    )
