"""Put small faults into modules, one at a time, and see whether a test notices.

    pip install --group mutants
    PYTHONPATH=tests .venv/bin/python tests/mutants/run.py keeper/account.py --seed 1

First all the tests run once, to learn which of them executes which line. Then each fault is made
in a copy of the package, and just the tests that execute its line run, until one fails. The source
is never touched. A result file per module, with what no test noticed, is written below --folder.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import shutil
import sys
import tempfile
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING

from mutants import mutators
from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from mutants.mutators import Mutant

TOP = Path(__file__).parents[2]
RESULTS = Path(__file__).with_name("results")
BASELINE_SECONDS = 3600
WIDTH = 60
_TIME_IS_UP = 124
"""Status of timeout(1)."""
_TESTS_FAILED, _INTERRUPTED, _USAGE_ERROR = 1, 2, 4
"""pytest, Exit codes."""
_NOT_IMPORTED = "ERROR collecting"


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
class Bench:
    """A copy of the package, and the tests that run against it.

    Attributes:
        copy: a source root like agent/.
        data: what coverage wrote down.
        words: of pytest: places of tests, and a marker.
        seconds: that the tests of one mutant may take.
    """

    copy: Path
    data: Path
    words: tuple[str, ...]
    seconds: int

    def python(self, *words: str, seconds: int) -> tuple[int, str]:
        """Run Python with the copy in the place of the package; return its status and output."""
        path = os.pathsep.join([str(self.copy), str(TOP / "tests")])
        settings = (f"PYTHONPATH={path}", "PYTHONDONTWRITEBYTECODE=1")
        limit = ("timeout", "--kill-after=5", str(seconds))
        done = programs.attempt(
            "env", "-C", TOP, *settings, *limit, sys.executable, *words, timeout=seconds + 60
        )
        return done.returncode, done.stdout.decode(errors="replace")

    def learn(self) -> None:
        """Run all tests on the sound package; AssertionError if one fails even so."""
        words = (str(self.data), str(self.copy), "-q", *self.words)
        status, said = self.python("-m", "mutants.contexts", *words, seconds=BASELINE_SECONDS)
        assert status == 0, f"the tests fail without a fault:\n{said[-4000:]}"

    def tests_by_line(self, module: Path) -> dict[int, list[str]]:
        """Return the tests that execute each line; "" is the import."""
        data = importlib.import_module("coverage").CoverageData(str(self.data))
        data.read()
        by_line = data.contexts_by_lineno(str(self.copy / "holdstill" / module))
        return {int(line): [str(name) for name in names] for line, names in by_line.items()}

    def judge(self, module: Path, mutant: Mutant, tests: Sequence[str]) -> Verdict:
        """Run the tests with the fault; the copy is sound again afterwards."""
        if not tests:
            return Verdict.UNSEEN
        with _listed(tests) as names:
            with _faulty(self.copy / "holdstill" / module, mutant.source):
                verdict = self._verdict(names)
            if verdict is Verdict.TIME and self._verdict(names) is Verdict.TIME:
                return Verdict.SLOW
        return verdict

    def _verdict(self, names: Path) -> Verdict:
        words = ("-x", "-q", "-p", "no:cacheprovider", "-m", "", f"@{names}")
        return verdict_of(*self.python("-m", "pytest", *words, seconds=self.seconds))


def verdict_of(status: int, said: str) -> Verdict:
    """Read how pytest ended; AssertionError if it did not get as far as the tests."""
    if status == _TIME_IS_UP:
        return Verdict.TIME
    # A fault may make a module that cannot be imported: 2 is an interruption by such errors, 4
    # says that the tests that were named are not in a file that cannot be read for that reason.
    if status == _USAGE_ERROR and _NOT_IMPORTED in said:
        return Verdict.KILLED
    assert status in {0, _TESTS_FAILED, _INTERRUPTED}, (
        f"pytest ended with {status}:\n{said[-4000:]}"
    )
    return Verdict.KILLED if status else Verdict.SURVIVED


def tests_of(line: int, by_line: Mapping[int, Sequence[str]], *, module: Path) -> list[str]:
    """Return the tests that execute a line; of one that only the import does, all the module's.

    Those of the file that is named as the module come first: one of them mostly notices.
    """
    found = set(by_line.get(line, ())) - {""}
    if not found and line in by_line:
        found = {name for names in by_line.values() for name in names} - {""}
    own = f"/test_{module.stem}.py::"
    return sorted(found, key=lambda name: (own not in name, name))


@contextmanager
def _faulty(path: Path, source: bytes) -> Iterator[None]:
    sound = path.read_bytes()
    try:
        path.write_bytes(source)
        yield
    finally:
        path.write_bytes(sound)


@contextmanager
def _listed(tests: Sequence[str]) -> Iterator[Path]:
    """Hold a file with one argument a line, as pytest reads them: there may be thousands."""
    with tempfile.NamedTemporaryFile("w", encoding="utf-8") as file:
        file.write("".join(f"{name}\n" for name in tests))
        file.flush()
        yield Path(file.name)


def examine(bench: Bench, module: Path, *, seed: int, limit: int) -> list[tuple[Mutant, Verdict]]:
    """Make faults in a module and return what became of each; says so as it goes."""
    by_line = bench.tests_by_line(module)
    found = mutators.mutants((bench.copy / "holdstill" / module).read_bytes())
    judged = []
    for mutant in mutators.sample(found, seed=seed, limit=limit):
        tests = tests_of(mutant.line, by_line, module=module)
        verdict = bench.judge(module, mutant, tests)
        judged.append((mutant, verdict))
        was, now = (shorten(text, WIDTH, placeholder="...") for text in (mutant.was, mutant.now))
        sys.stdout.write(f"{module}:{mutant.line}: {verdict}: {was} -> {now}\n")
        sys.stdout.flush()
    return judged


def result(
    module: Path, judged: Sequence[tuple[Mutant, Verdict]], *, seed: int, words: Sequence[str]
) -> bytes:
    """Write down what was found, for the next run to be compared with."""
    counts = Counter(verdict for _, verdict in judged)
    noticed = counts[Verdict.KILLED] + counts[Verdict.TIME]
    facts = {
        "module": str(module),
        "seed": seed,
        "tests": list(words),
        "mutants": len(judged),
        "noticed": noticed,
        "noticed of executed": f"{noticed / max(1, noticed + counts[Verdict.SURVIVED]):.0%}",
        "not noticed": [
            {"line": m.line, "kind": m.kind, "was": m.was, "now": m.now, "verdict": verdict}
            for m, verdict in judged
            if verdict in {Verdict.SURVIVED, Verdict.UNSEEN, Verdict.SLOW}
        ],
    }
    return json.dumps(facts, indent=2).encode() + b"\n"


def main(arguments: Sequence[str] | None = None) -> None:
    """Examine the modules that are named."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=_AsWritten)
    words.add_argument("modules", nargs="+", type=Path, help="below agent/holdstill")
    words.add_argument("--tests", nargs="+", default=["tests/unit", "tests/standards"])
    words.add_argument("--tier", default="", help="marker of the tests, such as tools")
    words.add_argument("--seed", type=int, required=True)
    words.add_argument("--limit", type=int, default=20, help="faults of each module")
    words.add_argument("--seconds", type=int, default=120, help="for the tests of one fault")
    words.add_argument("--folder", type=Path, default=RESULTS)
    chosen = words.parse_args(arguments)
    marker = ("-m", chosen.tier) if chosen.tier else ()
    chosen.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="holdstill-mutants-") as work:
        copy = Path(work, "agent")
        shutil.copytree(TOP / "agent", copy, ignore=shutil.ignore_patterns("__pycache__"))
        bench = Bench(copy, Path(work, "data"), (*marker, *chosen.tests), chosen.seconds)
        bench.learn()
        for module in chosen.modules:
            judged = examine(bench, module, seed=chosen.seed, limit=chosen.limit)
            found = result(module, judged, seed=chosen.seed, words=bench.words)
            name = "-".join(module.with_suffix("").parts)
            (chosen.folder / f"{name}.json").write_bytes(found)


_AsWritten = argparse.RawDescriptionHelpFormatter

if __name__ == "__main__":
    main()
