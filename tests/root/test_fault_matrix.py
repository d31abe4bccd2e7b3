"""The board's side of the capture fault matrix (FAULTS 2.4), one case a cell, named by the cell.

Real board, real sshd, real rsync; the product runs as it is, in a process of its own, and
support.faulted makes something go wrong in it at a named point. After every case the board writes
again, all services run, and every capture of before is there as it was.
tests/unit/test_fault_cells holds the table of all cells and finds the test of each.
"""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import wiring
from holdstill.keeper import board_captures, incoming
from holdstill.keeper import store as stores
from holdstill.model.settings import decode_board_settings
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture
from support import boards, faulted, held, keeping, loop, programs, relay, sshd
from support.boards import holdstill
from support.silence import Silent

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from support.boards import Board, Kept
    from support.relay import Relay
    from support.sshd import Sshd

pytestmark = pytest.mark.timeout(180)
DONE, BUSY, OWN_MACHINE, LINK, SECURITY, KILLED = 0, 3, 4, 6, 9, -9
TOLD_TO_STOP = {128 + number for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)}
SERVICES = ("gauge", "broker")
HOOK = """\
- name: {name}
  how: command
  quiesce: [rm, {place}/{name}]
  resume: [touch, {place}/{name}]
"""
"""A service runs as long as its file is there."""
HOT = """\
- name: hot
  how: command
  quiesce: [cp, --, {place}/last, {root}/hot]
"""
"""A file that changes at the last moment, so that there is something to read while frozen."""


@dataclass
class Pier:
    """A board with two services, its keeper, and the link between them."""

    board: Board
    kept: Kept
    link: Relay
    services: Path
    folder: Path
    changes: int = 0
    sealed: dict[str, str] = field(default_factory=dict)

    def change(self) -> None:
        """Let the board have something to send, before the pause and in it."""
        self.changes += 1
        (self.board.root / f"reading-{self.changes}").write_bytes(os.urandom(30_000))
        (self.folder / "last").write_bytes(os.urandom(30_000))

    def running(self) -> set[str]:
        return {path.name for path in self.services.iterdir()}

    def listed(self) -> dict[str, str]:
        """Return each good capture with the digest of its manifest."""
        store = stores.open_store(self.kept.store)
        briefs = board_captures.BoardCaptures(store, keeping.PIER_3, LocalRunner()).briefs()
        assert [brief.faults for brief in briefs] == [()] * len(briefs)
        return {brief.name: brief.manifest for brief in briefs}

    def await_keeper(self) -> None:
        """Wait until the keeper is done: it finishes what a board asked for before it died."""
        store, deadline = stores.open_store(self.kept.store), time.monotonic() + 60
        while incoming.is_running(store, keeping.PIER_3):
            assert time.monotonic() < deadline, "the keeper works for ever for a run that ended"
            time.sleep(0.1)

    def writes_within(self, seconds: float) -> None:
        """See that nothing is frozen."""
        assert held.write_moment(self.board.root / "probe") - time.monotonic() < seconds


@pytest.fixture(scope="module")
def pier(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pier]:
    folder = tmp_path_factory.mktemp("pier")
    services = Path(f"/dev/shm/hs-services-{os.getpid()}")  # noqa: S108  not on what is frozen
    services.mkdir()
    for name in SERVICES:
        (services / name).touch()
    hooks = "".join(HOOK.format(name=name, place=services) for name in SERVICES)
    try:
        with (
            boards.running(folder) as board,
            boards.kept(folder, board) as kept,
            relay.running(kept.server.port) as link,
        ):
            hooks += HOT.format(place=folder, root=board.root)
            through(kept, link, f"hooks:\n{hooks}")
            found = Pier(board, kept, link, services, folder)
            found.change()
            holdstill("capture", "--settings", kept.settings)
            found.sealed = found.listed()
            yield found
    finally:
        shutil.rmtree(services)


def through(kept: Kept, link: Relay, more: str) -> None:
    """Lead the board to its keeper through the relay."""
    settings = kept.settings.read_text("utf-8")
    port = f":{kept.server.port}\n"
    assert port in settings
    kept.settings.write_text(settings.replace(port, f":{link.port}\n") + more, "utf-8")
    pins = kept.server.known_hosts
    pins.write_text(
        pins.read_text("ascii").replace(str(kept.server.port), str(link.port)), "ascii"
    )


@dataclass(frozen=True)
class Ended:
    code: int
    said: str


def run(pier: Pier, point: str, deed: str, meanwhile: Callable[[], None] | None = None) -> Ended:
    """Take a capture with a fault at a point; meanwhile is done while the run waits there."""
    deadline = time.monotonic() + 60
    while (ended := _run(pier, point, deed, meanwhile)).code == BUSY:
        assert time.monotonic() < deadline, "the keeper works for ever for a run that was killed"
        time.sleep(0.5)
    return ended


def _run(pier: Pier, point: str, deed: str, meanwhile: Callable[[], None] | None) -> Ended:
    pier.change()
    asked, ask = os.pipe()
    answered, answer = os.pipe()
    words = [
        sys.executable, faulted.__file__, point, deed, str(ask), str(answered),
        "capture", "--settings", str(pier.kept.settings),
    ]  # fmt: skip
    try:
        with subprocess.Popen(
            words, pass_fds=(ask, answered), stderr=subprocess.PIPE, stdout=subprocess.DEVNULL
        ) as process:
            os.close(ask)
            has_come = meanwhile is None or os.read(asked, 1) == b"?"
            if meanwhile is not None and has_come:
                meanwhile()
                os.write(answer, b"!")
            said = process.communicate(timeout=100)[1].decode()
            assert has_come or process.returncode == BUSY, f"it did not come to that point: {said}"
            return Ended(process.returncode, said)
    finally:
        for handle in (asked, answered, answer):
            os.close(handle)


def check(pier: Pier, *, more: int = 0) -> None:
    """See that the board is as before, and that no capture is lost or changed."""
    pier.writes_within(5)
    assert pier.running() == set(SERVICES)
    pier.await_keeper()
    before, pier.sealed = pier.sealed, pier.listed()
    assert pier.sealed.items() >= before.items()
    assert len(pier.sealed) <= len(before) + more


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("copy", id="c3_c4_ssh_drop"),
        pytest.param("quiesce", id="c5_ssh_drop"),
        pytest.param("frozen", id="c6_c7_ssh_drop"),
        pytest.param("resume", id="c8_ssh_drop"),
        pytest.param("attach", id="c10_ssh_drop"),
    ],
)
def test_a_link_that_is_cut_once_holds_nothing_up_and_the_run_goes_on(
    pier: Pier, point: str
) -> None:
    before = len(pier.sealed)
    ended = run(pier, point, "ask", pier.link.cut)

    assert ended.code == 0, ended.said
    assert "trying to reach the keeper again" in ended.said
    check(pier, more=1)
    assert len(pier.sealed) == before + 1


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("copy", id="c3_c4_power_loss_host"),
        pytest.param("quiesce", id="c5_power_loss_host"),
        pytest.param("frozen", id="c6_c7_power_loss_host"),
        pytest.param("resume", id="c8_power_loss_host"),
        pytest.param("attach", id="c10_power_loss_host"),
    ],
)
def test_a_host_that_is_gone_ends_the_run_and_holds_nothing(pier: Pier, point: str) -> None:
    try:
        ended = run(pier, point, "ask", pier.link.go_down)
    finally:
        pier.link.come_up(pier.kept.server.port)

    assert ended.code == LINK, ended.said
    check(pier)


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("copy", id="c3_c4_host_key_changed"),
        pytest.param("quiesce", id="c5_host_key_changed"),
        pytest.param("frozen", id="c6_c7_host_key_changed"),
        pytest.param("resume", id="c8_host_key_changed"),
    ],
)
def test_another_host_gets_nothing_while_a_run_goes_on_with_its_keeper(
    pier: Pier, point: str, tmp_path: Path
) -> None:
    """The connections that stand lead to the keeper that was proven when they were made."""
    before = len(pier.sealed)
    with stranger(pier, tmp_path) as other:
        try:
            ended = run(pier, point, "ask", lambda: pier.link.come_up(other.port))
        finally:
            pier.link.come_up(pier.kept.server.port)
        log = other.log()

    assert ended.code == DONE, ended.said
    assert "Connection from" not in log
    check(pier, more=1)
    assert len(pier.sealed) == before + 1
    newest = f"reading-{pier.changes}"
    holdstill(
        "get", "pier-3", f"2:/{newest}", "--to", tmp_path / "got", "--store", pier.kept.store
    )
    assert (tmp_path / "got").read_bytes() == (pier.board.root / newest).read_bytes()


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("copy", id="c3_c4_host_key_changed"),
        pytest.param("quiesce", id="c5_host_key_changed"),
        pytest.param("frozen", id="c6_c7_host_key_changed"),
        pytest.param("resume", id="c8_host_key_changed"),
    ],
)
def test_another_host_that_answers_after_a_cut_gets_nothing_and_ends_the_run(
    pier: Pier, point: str, tmp_path: Path
) -> None:
    """Every new connection proves the keeper anew."""
    with stranger(pier, tmp_path) as other:

        def answers() -> None:
            pier.link.come_up(other.port)
            pier.link.cut()

        try:
            ended = run(pier, point, "ask", answers)
        finally:
            pier.link.come_up(pier.kept.server.port)
        log = other.log()

    assert ended.code == SECURITY, ended.said
    assert "answers with another host key than the pinned one" in ended.said
    assert "Connection from" in log
    assert "Accepted" not in log
    check(pier)


@contextmanager
def stranger(pier: Pier, folder: Path) -> Iterator[Sshd]:
    """Run another server, which would let the board in: only its host key is not the keeper's."""
    (folder / "other").mkdir()
    with sshd.running(folder / "other") as other:
        other.authorize((pier.folder / "board_key.pub").read_text("ascii").strip())
        yield other


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("connect", id="c3_kill_9"),
        pytest.param("copy", id="c4_kill_9"),
        pytest.param("quiesce", id="c5_kill_9"),
        pytest.param("frozen", id="c6_c7_kill_9"),
        pytest.param("resume", id="c8_c9_kill_9"),
        pytest.param("attach", id="c10_kill_9"),
        pytest.param("seal", id="c11_kill_9"),
    ],
)
def test_an_agent_that_is_killed_leaves_a_guard_that_thaws_and_undos_that_are_carried_out(
    pier: Pier, point: str
) -> None:
    ended = run(pier, point, "kill")
    pier.writes_within(1)  # the guard, before anybody else comes

    holdstill("resume", "--settings", pier.kept.settings)  # ExecStopPost= of the unit

    assert ended.code == KILLED, ended.said
    check(pier, more=point == "seal")


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("copy", id="c3_c4_power_loss_board"),
        pytest.param("quiesce", id="c5_power_loss_board"),
        pytest.param("frozen", id="c6_c7_power_loss_board"),
        pytest.param("resume", id="c8_power_loss_board"),
        pytest.param("attach", id="c10_power_loss_board"),
        pytest.param("seal", id="c11_power_loss_board"),
    ],
)
def test_a_board_that_loses_its_power_boots_and_captures_again(pier: Pier, point: str) -> None:
    """Agent, guard, and memory are gone at once; the freeze was memory, too."""
    ended = run(pier, point, "die")
    pier.link.cut()
    loop.thaw(pier.board.root)
    shutil.rmtree(pier.kept.spool)
    for name in SERVICES:  # as the boot starts them
        (pier.services / name).touch()

    assert ended.code == KILLED, ended.said
    check(pier, more=point == "seal")


def test_c6_power_loss_board_leaves_a_card_whose_journal_is_replayed(
    pier: Pier, tmp_path: Path
) -> None:
    """The card as it is while frozen is a card that was pulled: ext4 mounts it as ever."""
    copy, newest = tmp_path / "card.img", f"reading-{pier.changes + 1}"

    ended = run(pier, "frozen", "ask", lambda: copied(pier.board.disk.image, copy))
    with (
        loop.attached(copy) as disk,
        loop.mounted(disk.partition(2), tmp_path / "root") as root,
    ):
        found = (root / newest).read_bytes()
        (root / "writes").write_bytes(b"on")

    assert ended.code == DONE, ended.said
    assert found == (pier.board.root / newest).read_bytes()
    check(pier, more=1)


def copied(image: Path, copy: Path) -> None:
    programs.run("cp", "--sparse=always", image, copy)


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("copy", id="c3_c4_out_of_memory"),
        pytest.param("quiesce", id="c5_out_of_memory"),
        pytest.param("reading", id="c6_c7_out_of_memory"),
        pytest.param("resume", id="c8_out_of_memory"),
    ],
)
def test_an_agent_without_memory_lets_go_and_seals_nothing(pier: Pier, point: str) -> None:
    ended = run(pier, point, "memory")

    assert ended.code == OWN_MACHINE, ended.said
    check(pier)


@pytest.mark.parametrize(
    "point",
    [
        pytest.param("copy", id="c3_c4_signal"),
        pytest.param("quiesce", id="c5_signal"),
        pytest.param("frozen", id="c6_c7_signal"),
        pytest.param("resume", id="c8_c9_signal"),
        pytest.param("attach", id="c10_signal"),
        pytest.param("seal", id="c11_signal"),
    ],
)
def test_a_flood_of_signals_ends_a_run_in_order(pier: Pier, point: str) -> None:
    ended = run(pier, point, "term")

    # A run that has sealed by then is over, and nobody listens to signals any more.
    late = {DONE, -signal.SIGTERM, -signal.SIGHUP, -signal.SIGINT} if point == "seal" else set()
    assert ended.code in TOLD_TO_STOP | late, ended.said
    assert "Traceback" not in ended.said
    check(pier, more=point == "seal")


def test_c6_hook_hangs_cannot_be_since_no_program_starts_while_frozen(pier: Pier) -> None:
    ended = run(pier, "frozen", "none")

    assert ended.code == DONE, ended.said
    check(pier, more=1)


def test_c3_c5_c6_c8_board_disk_full_does_not_keep_it_from_being_captured(pier: Pier) -> None:
    """The card is full to its last byte: a run needs none of it."""
    ballast = pier.board.root / "ballast"
    with ballast.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * (1 << 20))
    try:
        done = holdstill("capture", "--settings", pier.kept.settings, "--json")
    finally:
        ballast.unlink()

    assert json.loads(done)["name"]
    check(pier, more=1)


class JumpingClock(SystemClock):
    """A clock that somebody sets, ten years forth and back, whenever it is looked at."""

    def __init__(self) -> None:
        self._looks = 0

    def now(self) -> datetime:
        self._looks += 1
        return super().now() + timedelta(days=3650 * (-1) ** self._looks)


def test_c3_c5_c6_c8_c10_clock_jump_changes_a_date_and_nothing_else(pier: Pier) -> None:
    pier.change()
    settings = decode_board_settings(pier.kept.settings.read_bytes())

    with wiring.capture_means(settings, Silent()) as means:
        report = capture.capture(settings, dataclasses.replace(means, clock=JumpingClock()))

    moment = board_captures.BoardCaptures(
        stores.open_store(pier.kept.store), keeping.PIER_3, LocalRunner()
    ).capture(report.name).manifest().moment  # fmt: skip
    assert report.seq == max(int(name[:6]) for name in pier.sealed) + 1
    assert moment.taken_at
    assert moment.monotonic > 0
    assert moment.boot_id
    check(pier, more=1)


def test_after_all_that_a_capture_succeeds(pier: Pier) -> None:
    holdstill("capture", "--settings", pier.kept.settings)

    check(pier, more=1)
