"""A copy of the source tree in which faults are made, and the tests that judge them."""

from __future__ import annotations

import importlib
import json
import os
import shutil
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from typing import TYPE_CHECKING

from mutants import forked, in_child

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from mutants.mutators import Mutant

LEARNING_SECONDS = 3600
_LEFT_OUT = shutil.ignore_patterns(".git", ".*_cache", ".hypothesis", ".venv", "__pycache__")
_TESTS_FAILED, _INTERRUPTED, _INTERNAL_ERROR, _USAGE_ERROR = 1, 2, 3, 4
"""pytest, Exit codes."""
_CONFTEST = "ImportError while loading conftest"


class Verdict(StrEnum):
    """What became of a mutant."""

    KILLED = "killed"
    SURVIVED = "survived"
    TIME = "time is up"
    """It was noticed: something never ended that ends without the fault."""
    SLOW = "too slow"
    """Nobody knows: its tests take longer than they may even without the fault."""
    UNSEEN = "not executed"
    """No test that was asked for executes the line in its own process."""


@dataclass(frozen=True)
class Judged:
    """A mutant and what became of it.

    Attributes:
        asked: how many of the tests that execute its line judged it.
        tests: how many there are.
        by: what pytest says of the one that noticed.
    """

    mutant: Mutant
    verdict: Verdict
    asked: int
    tests: int
    by: str = ""


@dataclass
class Bench:
    """Tests and a copy of what they test.

    Attributes:
        work: a folder that is ours.
        seconds: of running time without a fault that the tests of one mutant may take.
        by_line: which tests execute which line of a file; "" is the import.
        sound: seconds that each test takes without a fault.
    """

    work: Path
    seconds: float
    by_line: dict[Path, dict[int, set[str]]] = field(default_factory=dict)
    sound: dict[str, float] = field(default_factory=dict)

    @property
    def tree(self) -> Path:
        """The copy."""
        return self.work / "tree"

    def path_of(self, file: Path) -> Path:
        """Return where a file below agent/holdstill lies in the copy."""
        return self.tree / "agent/holdstill" / file

    def set_up(self, top: Path) -> None:
        """Copy a source tree."""
        self.work.chmod(0o711)
        shutil.copytree(top, self.tree, ignore=_LEFT_OUT, symlinks=True)
        self.tree.chmod(0o755)
        (self.work / "compiled").mkdir()
        os.chown(self.work / "compiled", forked.NOBODY, forked.NOBODY)

    def learn(self, words: Sequence[str], files: Sequence[Path]) -> list[str]:
        """Run tests on the sound package; return those that fail even so, which judge nothing."""
        with self._surroundings() as surroundings:
            data = surroundings.scratch / "learnt"
            paths = [self.path_of(file) for file in files]
            ended = forked.run(
                partial(in_child.learn, data, paths, words), surroundings, seconds=LEARNING_SECONDS
            )
            assert ended.status in {0, _TESTS_FAILED}, f"{words}: {ended.said[-4000:]}"
            self.sound |= json.loads(data.with_suffix(".json").read_bytes())
            coverage = importlib.import_module("coverage").CoverageData(str(data))
            coverage.read()
            for file, path in zip(files, paths, strict=True):
                lines = self.by_line.setdefault(file, {})
                for line, names in coverage.contexts_by_lineno(str(path)).items():
                    lines.setdefault(int(line), set()).update(map(str, names))
        return _failed(ended.said)

    def judge(self, mutant: Mutant) -> Judged:
        """Run the tests of a fault; the copy is sound again afterwards."""
        by_line = self.by_line[mutant.file]
        # Of a constant within a statement of several lines, Python knows no line.
        line = mutant.line if mutant.line in by_line else mutant.statement
        found = tests_of(line, by_line, self.sound, file=mutant.file)
        tests = affordable(found, self.sound, seconds=self.seconds)
        if not tests:
            return Judged(mutant, Verdict.SLOW if found else Verdict.UNSEEN, 0, len(found))
        with _faulty(self.path_of(mutant.file), mutant.source):
            ended = self._ended(tests)
        verdict = verdict_of(ended)
        if verdict is Verdict.TIME and verdict_of(self._ended(tests)) is Verdict.TIME:
            verdict = Verdict.SLOW
        return Judged(mutant, verdict, len(tests), len(found), "; ".join(_failed(ended.said)))

    def _ended(self, tests: Sequence[str]) -> forked.Ended:
        limit = 20 + 4 * sum(self.sound[test] for test in tests)
        with self._surroundings() as surroundings:
            return forked.run(partial(in_child.judge, tests), surroundings, seconds=limit)

    @contextmanager
    def _surroundings(self) -> Iterator[forked.Surroundings]:
        scratch = self.work / "scratch"
        scratch.mkdir()
        os.chown(scratch, forked.NOBODY, forked.NOBODY)
        packages = (self.tree / "agent", self.tree / "tests")
        try:
            yield forked.Surroundings(self.tree, scratch, packages, self.work / "compiled")
        finally:
            shutil.rmtree(scratch)


def verdict_of(ended: forked.Ended) -> Verdict:
    """Read how the child that ran pytest ended; AssertionError if it did not get to the tests."""
    status, said = ended.status, ended.said
    if status is None:
        return Verdict.TIME
    # A fault may make a module that cannot be imported, also by all the tests of a folder.
    if status < 0 or (status == _USAGE_ERROR and _CONFTEST in said):
        return Verdict.KILLED
    assert status in {0, _TESTS_FAILED, _INTERRUPTED, _INTERNAL_ERROR}, (
        f"pytest ended with {status}:\n{said[-4000:]}"
    )
    return Verdict.KILLED if status else Verdict.SURVIVED


def _failed(said: str) -> list[str]:
    return [line for line in said.splitlines() if line.startswith(("FAILED ", "ERROR "))]


def tests_of(
    line: int, by_line: Mapping[int, set[str]], sound: Mapping[str, float], *, file: Path
) -> list[str]:
    """Return the tests that execute a line; of one that the import executes, all the file's.

    Of a file of constants alone that is every test: nobody knows which of them reads one.

    Those of the test file that is named as the file come first, since one of them mostly notices;
    the others follow, and the quicker ones are first among both.
    """
    found = by_line.get(line, set())
    own = f"/test_{file.stem}.py::"
    if "" in found:  # and beside it a test that happens to be the first to import the file
        found = {name for names in by_line.values() for name in names}
        found |= {name for name in sound if own in name}  # a constant is read without a line
        found = found & sound.keys() or set(sound)
    return sorted(found & sound.keys(), key=lambda name: (own not in name, sound[name], name))


def affordable(tests: Sequence[str], sound: Mapping[str, float], *, seconds: float) -> list[str]:
    """Return the first tests, as many as fit into a time; a test that alone is too long is not."""
    left = seconds
    chosen = []
    for test in tests:
        if sound[test] <= left:
            chosen.append(test)
            left -= sound[test]
    return chosen


@contextmanager
def _faulty(path: Path, source: bytes) -> Iterator[None]:
    sound, facts = path.read_bytes(), path.stat()
    try:
        path.write_bytes(source)
        yield
    finally:
        path.write_bytes(sound)
        # So that what was compiled before is valid again.
        os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
