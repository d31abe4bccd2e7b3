"""The bench of tests/mutants, on a source tree of one module: begun as root."""

from __future__ import annotations

import os
import signal
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from mutants import forked
from mutants.bench import Bench, Verdict
from mutants.mutators import Mutant

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FILE = Path("keeper/level.py")
SOURCE = b"""
def is_high(cm):
    return cm >= 250

def unused():
    return 5

HEIGHTS = (
    "low",
)
"""
TESTS = b"""
from holdstill.keeper import level

def test_fails_without_a_fault():
    assert level.is_high(0)

def test_high():
    assert level.is_high(300)

def test_higher():
    assert level.is_high(400)
"""


@pytest.fixture
def work() -> Iterator[Path]:
    """A folder to which a user without rights gets through, which is not so for tmp_path."""
    with tempfile.TemporaryDirectory(prefix="holdstill-mutants-") as name:
        Path(name).chmod(0o711)
        yield Path(name)


@pytest.fixture
def bench(tmp_path: Path, work: Path) -> Bench:
    pytest.importorskip("coverage", reason="of the group mutants")
    for name, content in {
        "agent/holdstill/__init__.py": b"",
        "agent/holdstill/keeper/__init__.py": b"",
        "agent/holdstill/keeper/level.py": SOURCE,
        "tests/unit/test_level.py": TESTS,
        "pyproject.toml": b"[tool.pytest.ini_options]\n",
    }.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(content)
    made = Bench(work, seconds=5)
    made.set_up(tmp_path)
    failed = made.learn(["tests/unit"], [FILE])
    assert [line.partition(" - ")[0] for line in failed] == [
        "FAILED tests/unit/test_level.py::test_fails_without_a_fault"
    ]
    return made


@pytest.mark.parametrize(
    ("line", "statement", "was", "now", "verdict", "asked"),
    [
        (3, 3, b">=", b"<", Verdict.KILLED, 2),
        (3, 3, b">=", b">", Verdict.SURVIVED, 2),
        (6, 6, b"5", b"6", Verdict.UNSEEN, 0),
        (9, 8, b"low", b"lowl", Verdict.SURVIVED, 2),
        (2, 2, b"def is_high(cm)", b"def is_high(", Verdict.KILLED, 2),
    ],
)
def test_a_fault_is_judged_by_the_tests_that_pass_without_it(
    bench: Bench,
    line: int,
    statement: int,
    was: bytes,
    now: bytes,
    verdict: Verdict,
    asked: int,
) -> None:
    before = bench.path_of(FILE).stat()

    found = bench.judge(Mutant(FILE, line, statement, "", "", "", SOURCE.replace(was, now)))

    assert (found.verdict, found.asked, found.tests) == (verdict, asked, asked)
    assert bench.path_of(FILE).read_bytes() == SOURCE
    assert bench.path_of(FILE).stat().st_mtime_ns == before.st_mtime_ns


def run(function: Callable[[], int], work: Path, *, seconds: float = 10) -> forked.Ended:
    scratch = work / "scratch"
    scratch.mkdir()
    os.chown(scratch, forked.NOBODY, forked.NOBODY)
    surroundings = forked.Surroundings(work, scratch, (work / "first",), work / "compiled")
    return forked.run(function, surroundings, seconds=seconds)


def test_a_child_writes_to_its_scratch_folder_and_nowhere_else(tmp_path: Path, work: Path) -> None:
    tmp_path.chmod(0o755)

    def write() -> int:
        Path(os.environ["TMPDIR"], "file").write_bytes(b"")
        for folder in (work, tmp_path, Path("/etc")):
            if os.access(folder, os.W_OK):
                return 1
        return 0 if os.getresuid() == (65534,) * 3 and os.getgroups() == [] else 2

    assert run(write, work) == forked.Ended(0, "")


def test_a_child_that_never_ends_is_ended_with_what_it_started(work: Path) -> None:
    alive, held = os.pipe()

    def never_end() -> int:
        os.fork()
        time.sleep(60)
        return 0

    ended = run(never_end, work, seconds=1)

    os.close(held)
    assert ended.status is None
    assert os.read(alive, 1) == b""  # nobody is left who could write
    os.close(alive)


def test_how_a_child_ended_is_told(work: Path) -> None:
    def fail() -> int:
        raise ValueError("its words")

    ended = run(fail, work)

    assert ended.status == 70
    assert "ValueError: its words" in ended.said


def test_a_child_that_a_signal_ended_is_no_success(work: Path) -> None:
    def die() -> int:
        os.kill(os.getpid(), signal.SIGTERM)
        return 0

    assert run(die, work).status == -15
