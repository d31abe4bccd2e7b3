"""Sessions of one board's key as processes: how a slot ends, and what one too many costs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError, SecurityError
from holdstill.keeper import enrolment, session_slots
from holdstill.keeper import store as stores
from holdstill.keeper.session_slots import SLOTS
from holdstill.records import signature
from support import keeping, programs
from support.keeping import PIER_3, PIER_4, FakeClock

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return keeping.make_store(tmp_path / "boathouse", clock=FakeClock()).root


def test_a_slot_lives_on_in_the_program_that_the_process_becomes_and_dies_with_it(
    root: Path,
) -> None:
    becomes = (
        "import os, sys; from pathlib import Path; from holdstill.keeper import session_slots\n"
        "held = session_slots.held(Path(sys.argv[1]), sys.argv[2]); held.__enter__()\n"
        "os.execvp('sh', ['sh', '-c', 'echo here; exec sleep 60'])"
    )
    words = [sys.executable, "-c", becomes, os.fspath(root), PIER_3]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"here\n"
        with ExitStack() as taken:
            for _ in range(SLOTS - 1):
                taken.enter_context(session_slots.held(root, PIER_3))
            with pytest.raises(BusyError), session_slots.held(root, PIER_3):
                pass
            other.kill()
            other.wait()
            with session_slots.held(root, PIER_3):
                pass


def test_a_session_too_many_is_refused_before_what_would_answer_it_is_imported(
    root: Path,
) -> None:
    words = [sys.executable, "-X", "importtime", "-m", "holdstill", "keeper", "serve",
             "--store", os.fspath(root), "--board", PIER_3,
             "--key", signature.fingerprint(keeping.KEY)]  # fmt: skip
    answered = programs.attempt(*words, timeout=30)
    with ExitStack() as taken:
        for _ in range(SLOTS):
            taken.enter_context(session_slots.held(root, PIER_3))
        refused = programs.attempt(*words, timeout=30)

    heavy = b"holdstill.keeper.ssh_server"
    assert (answered.returncode, heavy in answered.stderr) == (0, True)
    assert (refused.returncode, heavy in refused.stderr) == (BusyError.exit_code, False)
    assert b"try again later" in refused.stderr


def test_a_key_that_was_withdrawn_is_refused_and_noted_without_a_slot(root: Path) -> None:
    store = stores.open_store(root)
    enrolment.retire(store, PIER_3, clock=FakeClock())
    words = ("keeper", "serve", "--store", root, "--board", PIER_3,
             "--key", signature.fingerprint(keeping.KEY))  # fmt: skip
    with ExitStack() as taken:
        for _ in range(SLOTS):
            taken.enter_context(session_slots.held(root, PIER_3))
        refused = programs.attempt(sys.executable, "-m", "holdstill", *words, timeout=30)

    assert refused.returncode == SecurityError.exit_code
    assert b"the key of board pier-3 was withdrawn" in refused.stderr
    noted = (root / "boards" / PIER_3 / "refusals.jsonl").read_text(encoding="ascii")
    assert "was withdrawn (asked: '')" in noted


def test_a_session_goes_before_others_when_memory_runs_out() -> None:
    says = "from holdstill.keeper import session_slots as s; s.be_first_to_go()\n"
    says += "print(open('/proc/self/oom_score_adj').read())"

    assert int(programs.run(sys.executable, "-c", says)) == 500  # proc(5): -1000 to 1000


def test_what_holds_a_slot_of_a_board_is_ended_and_nothing_else(root: Path) -> None:
    holds = (
        "import os, sys; from pathlib import Path; from holdstill.keeper import session_slots\n"
        "held = session_slots.held(Path(sys.argv[1]), sys.argv[2]); held.__enter__()\n"
        "os.execvp('sh', ['sh', '-c', 'echo here; exec sleep 60'])"
    )

    def session(board: str) -> subprocess.Popen[bytes]:
        words = [sys.executable, "-c", holds, os.fspath(root), board]
        return subprocess.Popen(words, stdout=subprocess.PIPE)

    (root / "boards" / PIER_4).mkdir()
    with session(PIER_3) as first, session(PIER_3) as second, session(PIER_4) as other:
        for process in (first, second, other):
            assert process.stdout is not None
            assert process.stdout.readline() == b"here\n"

        ended = session_slots.end_all(root, PIER_3)
        status = [first.wait(10), second.wait(10), other.poll()]
        other.kill()

    assert ended == 2
    assert status == [-signal.SIGKILL, -signal.SIGKILL, None]
    assert session_slots.end_all(root, PIER_3) == 0
