"""Programs that misbehave, really run."""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress
from pathlib import Path

import pytest

from holdstill.errors import CommandError
from holdstill.system.process import Command
from holdstill.system.time_limited import BoundedRunner

QUICK = BoundedRunner(grace=0.3)
LONG = "600"


def shell(script: str, *, timeout: float = 10.0) -> Command:
    return Command.of("/bin/sh", "-c", script, timeout=timeout)


def is_running(pid_file: Path) -> bool:
    pid = pid_file.read_text(encoding="ascii").strip()
    state = "Z"
    with suppress(FileNotFoundError, ProcessLookupError):
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
    return state != "Z"


def ended(pid_file: Path) -> bool:
    deadline = time.monotonic() + 5
    while is_running(pid_file) and time.monotonic() < deadline:
        time.sleep(0.02)
    return not is_running(pid_file)


def test_what_a_program_says_comes_back() -> None:
    said = QUICK.run(shell("cat; echo to nobody >&2"), stdin=b"1.42 m\n")

    assert said == b"1.42 m\n"


def test_long_input_does_not_block() -> None:
    said = QUICK.run(shell("wc -c"), stdin=bytes(1 << 20))

    assert said.strip() == b"1048576"


def test_the_words_of_a_failing_program_are_in_the_error() -> None:
    with pytest.raises(CommandError, match="the sensor is wet") as caught:
        QUICK.run(shell("echo the sensor is wet >&2; exit 3"))

    assert caught.value.status == 3


def test_a_missing_program_is_named() -> None:
    with pytest.raises(CommandError, match="gauge-hold"):
        QUICK.run(Command.of("/nonexistent/gauge-hold"))


def test_a_program_sees_a_plain_world() -> None:
    os.environ["CANARY"] = "secret"

    said = QUICK.run(shell("pwd; env; readlink /proc/self/fd/0"))

    assert said.startswith(b"/\n")
    assert b"CANARY" not in said
    assert said.endswith(b"/dev/null\n")


def test_a_program_that_hangs_is_stopped_in_time() -> None:
    started = time.monotonic()

    with pytest.raises(CommandError, match=r"no end after 0\.2 s"):
        QUICK.run(shell(f"sleep {LONG}", timeout=0.2))

    assert time.monotonic() - started < 2


def test_one_that_ignores_the_polite_signal_is_killed_with_its_children(tmp_path: Path) -> None:
    pids = [tmp_path / "leader", tmp_path / "child"]
    script = f"""
        trap '' TERM
        echo $$ >{pids[0]}
        (echo $$ >/dev/null; sh -c 'echo $$ >{pids[1]}; exec sleep {LONG}') &
        while :; do sleep 0.05; done
    """
    started = time.monotonic()

    with pytest.raises(CommandError, match="no end"):
        QUICK.run(shell(script, timeout=0.5))

    assert time.monotonic() - started < 3
    assert [ended(pid) for pid in pids] == [True, True]


def test_a_grandchild_that_holds_the_output_open_keeps_nobody_waiting(tmp_path: Path) -> None:
    pid = tmp_path / "pid"
    started = time.monotonic()

    said = QUICK.run(shell(f"echo started; sleep {LONG} & echo $! >{pid}"))
    seconds = time.monotonic() - started
    survived = is_running(pid)
    os.kill(int(pid.read_text(encoding="ascii")), 9)

    assert said == b"started\n"
    assert seconds < 2
    assert survived  # a resume hook may start a service


def test_a_program_that_says_a_gigabyte_is_cut_off() -> None:
    started = time.monotonic()

    with pytest.raises(CommandError) as caught:
        QUICK.run(shell("head -c 1073741824 /dev/zero"))

    assert len(caught.value.words) <= 64 << 10
    assert time.monotonic() - started < 5


def test_a_failed_write_does_not_fail_a_program_that_does_not_care() -> None:
    said = QUICK.run(shell("head -c 65536 /dev/zero; echo more 2>/dev/null; exit 0"))

    assert said == bytes(65536)


def test_an_exception_while_waiting_stops_the_program(tmp_path: Path) -> None:
    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    pid = tmp_path / "pid"
    before = signal.signal(signal.SIGALRM, interrupt)
    signal.setitimer(signal.ITIMER_REAL, 0.5)
    try:
        with pytest.raises(KeyboardInterrupt):
            QUICK.run(shell(f"echo $$ >{pid}; exec sleep {LONG}"))
    finally:
        signal.signal(signal.SIGALRM, before)

    assert ended(pid)


def test_a_conversation_goes_back_and_forth() -> None:
    with QUICK.dialog(Command.of("cat")) as talk:
        first = talk.ask("one\ntwo\nend\n", until="end", seconds=5)
        second = talk.ask("three\nend\n", until="end", seconds=5)

    assert (first, second) == ("one\ntwo", "three")


def test_a_partner_that_ends_is_noticed_with_its_words() -> None:
    with (
        QUICK.dialog(shell("read line; echo gone fishing >&2; exit 1")) as talk,
        pytest.raises(CommandError, match="gone fishing"),
    ):
        talk.ask("are you there\n", until="yes", seconds=5)


def test_a_silent_partner_is_not_waited_for() -> None:
    started = time.monotonic()

    with (
        QUICK.dialog(shell(f"trap '' TERM; sleep {LONG}")) as talk,
        pytest.raises(CommandError, match="no answer in time"),
    ):
        talk.ask("are you there\n", until="yes", seconds=0.2)

    assert time.monotonic() - started < 3


def test_a_partner_ends_with_the_block(tmp_path: Path) -> None:
    pid = tmp_path / "pid"

    with QUICK.dialog(shell(f"echo $$ >{pid}; exec cat")) as talk:
        talk.ask("end\n", until="end", seconds=5)

    assert ended(pid)
