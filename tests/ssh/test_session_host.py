"""Sessions that a session host answers, from a real sshd."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import session_front
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.system.process import LocalRunner
from support import boards, boathouse, concurrent_captures, programs, session_hosts

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.boathouse import Boathouse

pytestmark = pytest.mark.timeout(120)
NO_HOST = 99
"""What support/front.py ends with when it was not answered."""


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Path]:
    with session_hosts.running(tmp_path / "sessions.sock"):
        yield tmp_path / "sessions.sock"


@pytest.fixture
def house(tmp_path: Path, at: Path) -> Iterator[Boathouse]:
    with boathouse.running(tmp_path, session_hosts.program(at)) as running:
        yield running


def asked(at: Path, *words: str, said: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    """Hand a session with these words over, as sshd's child does."""
    return subprocess.run(
        [*session_hosts.program(at), *words], input=said, capture_output=True, check=False
    )


def sessions_of(house: Boathouse, board: str) -> list[int]:
    """Return the processes whose command line names a board's session."""
    words = f"^sh -c .* keeper serve --store {house.store.root} --board {board} "
    found = programs.attempt("pgrep", "-f", words)
    return [int(word) for word in found.stdout.split()]


def test_boards_that_a_host_answers_capture_as_others_do(house: Boathouse) -> None:
    names = [house.enrol(f"pier-{number}") for number in range(3)]

    taken = concurrent_captures.capture_at_once(house, names)

    for board, one in zip(names, taken, strict=True):
        captures = BoardCaptures(house.store, board, LocalRunner())
        assert [(brief.name, brief.faults) for brief in captures.briefs()] == [(one.name, ())]


def test_exit_code_and_words_are_those_of_the_command(at: Path) -> None:
    words = ("keeper", "serve", "--store", "/nonexistent", "--board", "pier-3", "--key", "x")

    done, by_itself = asked(at, *words), programs.attempt(*boards.PROGRAM, *words)

    assert (done.returncode, done.stdout) == (by_itself.returncode, by_itself.stdout) == (2, b"")
    assert done.stderr == by_itself.stderr
    assert b"/nonexistent is not a store" in done.stderr


def test_words_that_no_line_has_are_read_by_the_command_line(at: Path) -> None:
    assert b"Usage: holdstill keeper serve" in asked(at, "keeper", "serve", "--help").stdout
    assert asked(at, "keeper", "serve", "--bord", "x").returncode == 2


def test_a_session_ends_with_the_process_that_waits_for_it(house: Boathouse) -> None:
    board = house.enrol("pier-3")
    with house.keeper(board) as keeper:
        keeper.hello()
        (waiting,) = sessions_of(house, "pier-3")
        os.kill(waiting, signal.SIGKILL)
        house.wait_until_left_alone(board)  # nobody holds its slot


def test_the_session_of_a_host_that_was_killed_is_a_cut_link(
    tmp_path: Path,
) -> None:
    at = tmp_path / "one.sock"
    with (
        session_hosts.running(at) as host,
        boathouse.running(tmp_path, session_hosts.program(at)) as house,
    ):
        board = house.enrol("pier-3")
        with house.keeper(board) as keeper:
            keeper.hello()
            host.kill()
            house.wait_until_left_alone(board)
        at.unlink()
    words = ("keeper", "serve", "--store", "/nonexistent", "--board", "pier-3", "--key", "x")
    assert asked(at, *words).returncode == NO_HOST


def test_a_host_of_other_code_answers_nobody_and_ends(tmp_path: Path) -> None:
    at = tmp_path / "one.sock"
    with (
        session_hosts.running(at) as host,
        socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as asking,
    ):
        message = session_front.packed(["keeper", "serve"])
        assert message is not None
        older = message.replace(session_front.stamp(), b"0.0.9 1 2 /opt")
        asking.connect(str(at))
        with open(os.devnull, "r+b") as nothing:  # noqa: PTH123
            socket.send_fds(asking, [older], [nothing.fileno()] * 4)
            assert asking.recv(16) == b""
        assert host.wait(10) == 0


@pytest.mark.parametrize("message", [b"", b"2\0keeper", b"x\0y", b"1", b"\xff" * 1000])
def test_a_message_that_is_none_ends_nothing(at: Path, message: bytes) -> None:
    for handles in (0, 4, 9):
        with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as asking:
            asking.connect(str(at))
            with open(os.devnull, "r+b") as nothing:  # noqa: PTH123
                if message:
                    socket.send_fds(asking, [message], [nothing.fileno()] * handles)
                asking.shutdown(socket.SHUT_WR)
                assert asking.recv(16) == b""

    assert asked(at, "keeper", "serve", "--help").returncode == 0


def test_who_says_nothing_holds_others_up_for_a_second_at_most(at: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as silent:
        silent.connect(str(at))
        began = time.monotonic()

        assert asked(at, "keeper", "serve", "--help").returncode == 0

    assert time.monotonic() - began > 0.5  # it did wait: the claim is about something


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can be somebody else")
def test_another_user_is_not_answered(at: Path) -> None:
    at.parent.chmod(0o755)
    for folder in at.parents:
        if folder.stat().st_uid == 0 and folder != Path("/"):
            folder.chmod(folder.stat().st_mode | 0o011)
    at.chmod(0o666)

    done = subprocess.run(
        [
            *("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"),
            *(*session_hosts.program(at), "keeper", "serve", "--help"),
        ],
        capture_output=True,
        check=False,
    )

    assert (done.returncode, done.stdout) == (NO_HOST, b""), done.stderr
