"""README's two commands on each machine, on fresh Debian 12 and 13, and every day after.

A keeper and a board on one wire, each as somebody has just installed it. Their owner types what
README says and what the program itself prints, and answers its questions. Then a night comes, the
keeper's timers elapse, the page is looked at, the package is upgraded, and removed on both sides.
"""

from __future__ import annotations

import json
import re
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from support import programs
from support.vm import board, fresh, units
from support.vm.dialogue import on

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from support.vm.dialogue import Dialogue
    from support.vm.fresh import Pair
    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3 * 3600)]

README = (board.PROJECT / "README.md").read_text(encoding="utf-8")
BUILD = board.PROJECT / "configs/package/build"
NIGHTLY, PAGE = "holdstill-nightly.service", "holdstill-keeper-page.service"
SOCKET = "holdstill-keeper-page.socket"
DEEDS = {"verify": "every content is good", "thin": "pier-3", "watch": "pier-3"}
"""What the keeper's timers start, and words of each one's success."""
LEFT_OUT = b"exclude: [/boot, /opt, /usr, /var/lib/apt, /var/lib/dpkg]\n"
AT_ONCE = b"[Timer]\nRandomizedDelaySec=0\n"
NEXT_RUN = re.compile(r"^Next run: \w+day, ([\d-]+) at (02:\d\d) local time", re.MULTILINE)
NOT_OURS = ("/home/harbour/*", "/srv/holdstill/*", "/var/lib/dpkg/*")
"""What the owner brought, what is in the store, and what dpkg remembers until a purge."""
OURS = (
    *("find", "/", "-xdev", "-name", "*holdstill*"),
    *(word for path in NOT_OURS for word in ("!", "-path", path)),
)
PATIENCE = 20
VISITOR = (board.GUEST / "visitor.py").read_bytes()


def commands(title: str) -> list[str]:
    """Return the commands that a section of README has a person type."""
    section = re.split(r"\n##+ ", README.partition(f"# {title}\n")[2])[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    return [line.partition("  #")[0].strip() for block in blocks for line in block.splitlines()]


INSTALL_KEEPER, SET_UP_KEEPER, INSTALL_BOARD, SET_UP_BOARD = commands(
    "Two commands on each machine"
)
THE_PAGE = commands("A page to look at")[1:]


@dataclass
class Typed:
    """A command that the owner typed, and what came of it.

    Attributes:
        seconds: until it ended; busy: of those of a processor that were emulated with.
    """

    command: str
    status: int
    said: str
    questions: list[str]
    seconds: float
    busy: float


def typed(
    pier: Machine, command: str, answer: Callable[[Dialogue], object] = lambda _: None
) -> Typed:
    """Type a command as the machine's owner, at a terminal, and answer what it asks."""
    began, spent = time.monotonic(), fresh.busy_seconds(pier)
    with on(pier, "runuser", "-l", fresh.OWNER, "-c", command) as talk:
        answer(talk)
        status = talk.ended(1800)
    seconds, busy = time.monotonic() - began, fresh.busy_seconds(pier) - spent
    return Typed(command, status, talk.said, talk.questions, round(seconds, 1), round(busy, 1))


def agree(talk: Dialogue) -> None:
    """Let apt install what it proposes."""
    talk.answer(r"ontinue\? \[Y/n\] ", "", 300)


def as_proposed(talk: Dialogue) -> None:
    """Answer the questions of `keeper setup` by Enter."""
    for question in ("Where are captures stored", "Whose are they", "Make a key with which"):
        talk.answer(rf"{question}.*: $", "", 300)


@dataclass
class Story:
    """What was seen.

    Attributes:
        typed: what was typed on which machine, in order.
        nights: the daemon's own state after the night.
        deeds: of each of the keeper's services that a timer started, result and words.
        troubled: what systemd calls failed on either machine after the night and that.
        visits: what the page showed a first visitor with its link, and a second one.
        states: of units, before and after the upgrade.
        left: what is called ours on each machine after removal, and what of it failed.
    """

    typed: list[tuple[str, Typed]] = field(default_factory=list)
    timers: str = ""
    troubled: list[str] = field(default_factory=list)
    captures: list[dict[str, object]] = field(default_factory=list)
    nights: dict[str, dict[str, object]] = field(default_factory=dict)
    deeds: dict[str, tuple[str, str]] = field(default_factory=dict)
    visits: list[str] = field(default_factory=list)
    activated: list[str] = field(default_factory=list)
    states: list[dict[str, str]] = field(default_factory=list)
    versions: list[str] = field(default_factory=list)
    left: dict[str, list[str]] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)

    def type(
        self, pier: Machine, name: str, command: str,
        answer: Callable[[Dialogue], object] = lambda _: None,
    ) -> Typed:  # fmt: skip
        """Type a command and keep what came of it."""
        one = typed(pier, command, answer)
        self.typed.append((name, one))
        assert one.status in {0, 8}, one.said
        return one

    def all_of(self, name: str, *commands: str) -> list[Typed]:
        """Return what was typed on a machine, if it is one of these commands."""
        return [one for where, one in self.typed if where == name and one.command in commands]


def set_up(pair: Pair, story: Story, debs: list[Path]) -> None:
    """Do what README says on each machine."""
    for pier in (pair.keeper, pair.board):
        for deb in debs:
            pier.put(f"/home/harbour/{deb.name}", deb.read_bytes())
    story.type(pair.keeper, "keeper", INSTALL_KEEPER, agree)
    said = story.type(pair.keeper, "keeper", SET_UP_KEEPER, as_proposed).said
    (line,) = re.findall(r"^ +(sudo holdstill setup --keeper .*)$", said, re.MULTILINE)
    story.type(pair.board, "board", INSTALL_BOARD.replace("arm64", "amd64"), agree)

    def introduce(talk: Dialogue) -> None:
        told = talk.until(r"^echo 'ssh-ed25519 .*\n", 300).strip().splitlines()[-1]
        pasted = ("runuser", "-l", fresh.OWNER, "-c", "sudo -iu keeper")
        pair.keeper.run(*pasted, stdin=f"{told}\n".encode())
        talk.answer(r"Press Enter when it is done.*: $", "")
        # Emulated beside others, they may take longer than a connection may (20 s): again, then.
        for _ in range(PATIENCE):
            said = talk.until(r"(Take a first capture now|Press Enter when it is done).*: $", 900)
            if "Take a first" in said:
                break
            talk.type("")
        talk.type("n")
        talk.questions.append("Take a first capture now")

    story.type(pair.board, "board", line, introduce)
    # What is the same on every Debian would take an hour in an emulator, and prove nothing here.
    settings = pair.board.run("cat", "/etc/holdstill/board.yaml")
    pair.board.put("/etc/holdstill/board.yaml", settings + LEFT_OUT)
    pair.board.run("systemctl", "restart", NIGHTLY, timeout=300)
    story.type(pair.board, "board", "sudo holdstill capture")


def a_night(pair: Pair, story: Story) -> None:
    """Let the next night come, and the week that makes the keeper's timers elapse."""
    said = [one.said for where, one in story.typed if where == "board"][1]
    ((day, hour),) = NEXT_RUN.findall(said)
    for pier in (pair.keeper, pair.board):
        pier.run("date", "--set", f"{day} {hour} 1 minute ago")
    units.wait(lambda: is_served(pair.board), 3600)
    story.nights = nights(pair.board)
    for deed in DEEDS:
        pair.keeper.put(f"/etc/systemd/system/holdstill-keeper-{deed}.timer.d/x.conf", AT_ONCE)
    pair.keeper.run("systemctl", "daemon-reload")
    pair.keeper.run("date", "--set", "+8 days")
    for deed in DEEDS:
        unit = f"holdstill-keeper-{deed}.service"
        units.wait(lambda unit=unit: has_ended(pair.keeper, unit), 900)  # type: ignore[misc]
        result = units.properties(pair.keeper, unit, "Result")["Result"]
        story.deeds[deed] = (result, units.words(pair.keeper, unit))
        pair.keeper.run("rm", "-r", f"/etc/systemd/system/holdstill-keeper-{deed}.timer.d")
    story.timers = pair.keeper.run("systemctl", "list-timers", "--no-legend").decode()
    story.troubled = [
        pier.run("systemctl", "--failed", "--no-legend", "--plain", "holdstill*").decode()
        for pier in (pair.keeper, pair.board)
    ]
    listed = pair.keeper.run("holdstill", "list", "pier-3", "--json")
    story.captures = json.loads(listed)["boards"]["pier-3"]


def nights(pier: Machine) -> dict[str, dict[str, object]]:
    """Return what the daemon remembers."""
    said = pier.run("bash", "-c", "cat /var/lib/holdstill/nights.json || echo {}")
    state: dict[str, dict[str, object]] = json.loads(said)
    return state


def is_served(pier: Machine) -> bool:
    return bool(nights(pier).get("last"))


def has_ended(pier: Machine, unit: str) -> bool:
    seen = units.properties(pier, unit, "ActiveState,ExecMainExitTimestampMonotonic")
    ended = seen["ExecMainExitTimestampMonotonic"] not in {"", "0"}
    return ended and seen["ActiveState"] in {"inactive", "failed"}


def look_at_the_page(pair: Pair, story: Story) -> None:
    """Do what README says of the page's unit; then see that it begins when somebody asks."""
    *before, new_link = THE_PAGE
    for command in before:
        story.type(pair.keeper, "keeper", command)
    link = story.type(pair.keeper, "keeper", new_link).said.split()[-1]
    said = pair.keeper.run("python3", "-", link, stdin=VISITOR, timeout=1800)
    story.visits = said.decode().splitlines()
    pair.keeper.run("systemctl", "stop", PAGE)
    story.activated.append(active(pair.keeper, PAGE))
    link = story.type(pair.keeper, "keeper", new_link).said.split()[-1]
    pair.keeper.run("python3", "-", link, stdin=VISITOR, timeout=1800)
    story.activated.append(active(pair.keeper, PAGE))


def active(pier: Machine, unit: str) -> str:
    return units.properties(pier, unit, "ActiveState")["ActiveState"]


def upgrade(pair: Pair, story: Story, deb: str) -> None:
    """Install the next revision on both machines."""
    for name, pier, running in (
        ("keeper", pair.keeper, (SOCKET, PAGE)),
        ("board", pair.board, (NIGHTLY,)),
    ):
        before = {unit: pid(pier, unit) for unit in running}
        story.type(pier, name, f"sudo apt install -y ./{deb}")
        story.states.append({unit: active(pier, unit) for unit in running})
        assert all(pid(pier, unit) != before[unit] for unit in running if before[unit] != "0")
        story.versions.append(pier.run("dpkg-query", "-Wf", "${Version}", "holdstill").decode())


def pid(pier: Machine, unit: str) -> str:
    """Return the main process of a unit; "0" for none, as a socket."""
    return units.properties(pier, unit, "MainPID").get("MainPID", "0")


def remove(pair: Pair, story: Story) -> None:
    """Undo it on both sides, as README says, and look what is left."""
    pair.keeper.run("systemctl", "enable", "--now", "holdstill-keeper-rehearse@pier-3.timer")
    for name, pier, undo in (
        ("board", pair.board, "sudo holdstill setup --remove"),
        ("keeper", pair.keeper, "sudo holdstill keeper remove"),
    ):
        story.type(pier, name, undo, lambda talk: talk.answer(r"\[y/N\]: $", "y"))
        story.type(pier, name, "sudo apt remove -y holdstill")
        story.left[name] = pier.run(*OURS).decode().split()
        failed = ("systemctl", "list-units", "--all", "--no-legend", "--plain", "holdstill*")
        story.failed[name] = pier.run(*failed).decode()


@pytest.fixture(scope="module")
def debs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Return the package, and an upgrade of it."""
    folder = tmp_path_factory.mktemp("package")
    programs.run(BUILD, "--wheelhouse", folder / "wheels", timeout=900)
    for revision in ("1", "2"):
        words = ("--from", folder / "wheels", "--revision", revision, folder)
        programs.run(BUILD, "--arch", "amd64", *words, timeout=900)
    return sorted(folder.glob("*.deb"))


@pytest.fixture(scope="module", params=["bookworm", "trixie"])
def story(
    request: pytest.FixtureRequest, debs: list[Path], tmp_path_factory: pytest.TempPathFactory
) -> Story:
    told = Story()
    with fresh.booted(tmp_path_factory.mktemp("pair"), request.param) as pair:
        set_up(pair, told, debs)
        a_night(pair, told)
        look_at_the_page(pair, told)
        upgrade(pair, told, debs[-1].name)
        remove(pair, told)
    return told


def test_two_commands_and_four_questions_a_side(
    story: Story, measured: Callable[[str], None]
) -> None:
    for name, one in story.typed:
        asked = len(one.questions)
        measured(f"{name}: {one.seconds} s, {one.busy} busy, {asked} asked: {one.command}")
    keeper = story.all_of("keeper", INSTALL_KEEPER, SET_UP_KEEPER)
    at_board = [one for where, one in story.typed if where == "board"][:2]

    assert len(keeper) == len(at_board) == 2
    assert sum(len(one.questions) for one in keeper) <= 4
    assert sum(len(one.questions) for one in at_board) <= 4


def test_the_keeper_prints_what_readme_has_for_the_boards(story: Story) -> None:
    line = [one.command for where, one in story.typed if where == "board"][1]

    assert re.sub(r"SHA256:\S+", "SHA256:...", line) == SET_UP_BOARD


def test_set_up_ends_with_a_capture_and_with_the_next_run(story: Story) -> None:
    said = [one.said for where, one in story.typed if where == "board"][1]

    assert "Sealed pier-3/000001-" in said
    assert re.search(
        r"^Next run: \w+day, \d{4}-\d\d-\d\d at 02:\d\d local time", said, re.MULTILINE
    )
    assert said.count("\n  sudo holdstill ") == 3


def test_the_night_comes_and_is_captured(story: Story) -> None:
    assert story.nights["last"]["code"] == 0
    assert [capture["faults"] for capture in story.captures] == [[], []]


def test_nothing_of_ours_has_failed(story: Story) -> None:
    assert story.troubled == ["", ""]


@pytest.mark.parametrize("deed", DEEDS)
def test_the_keepers_timers_start_what_succeeds(story: Story, deed: str) -> None:
    result, words = story.deeds[deed]

    assert f"holdstill-keeper-{deed}.timer" in story.timers
    assert result == "success", words
    assert DEEDS[deed] in words


def test_the_page_lets_one_browser_in_and_begins_when_somebody_asks(story: Story) -> None:
    seen, second = story.visits

    assert "pier-3" in seen
    assert second == "403"
    assert story.activated == ["inactive", "active"]


def test_an_upgrade_starts_again_what_ran(story: Story) -> None:
    assert story.versions == ["0.1.0-2", "0.1.0-2"]
    at_keeper, at_board = story.states
    assert at_keeper[SOCKET] == "active"
    assert at_board == {NIGHTLY: "active"}


def test_removed_it_leaves_the_captures_and_what_is_the_owners(story: Story) -> None:
    assert story.left["board"] == []
    assert story.left["keeper"] == ["/srv/holdstill"]
    assert story.failed == {"board": "", "keeper": ""}
