"""Put small faults into modules, one at a time, and see whether a test notices.

    pip install --group mutants
    PYTHONPATH=tests .venv/bin/python tests/mutants/run.py ledger --seed 1
    PYTHONPATH=tests .venv/bin/python tests/mutants/run.py --seed 1

A module is one of guarded.py, or a file below agent/holdstill; without one, all of guarded.py are
examined, which takes some forty minutes. First the tests run once, folder by folder, to learn
which of them executes which line, and how long it takes. Then each fault is made in a copy of the
tree, and the tests that execute its line run, until one fails: as nobody, so that a fault cannot
write where it should not. The source is never touched. A result file per module, with what no
test noticed, is written below --folder.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING

from mutants import forked, guarded, mutators
from mutants.bench import Bench, Judged, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from mutants.mutators import Mutant

TOP = Path(__file__).parents[2]
RESULTS = TOP / "tests/bench/results/mutants"
MEMORY = Path("/dev/shm")  # noqa: S108  the folder in it is ours alone
"""Much of what the tests do is waiting for a disk, unless it is none."""
WIDTH = 60


def draw(bench: Bench, files: Sequence[Path], *, seed: int, limit: int) -> list[Mutant]:
    """Draw faults of a module, of all its files together."""
    found = [m for file in files for m in mutators.mutants(file, bench.path_of(file).read_bytes())]
    return mutators.sample(found, seed=seed, limit=limit)


def examine(bench: Bench, drawn: Sequence[Mutant]) -> list[Judged]:
    """Make each fault and return what became of it; says so as it goes."""
    judged = []
    for mutant in drawn:
        found = bench.judge(mutant)
        judged.append(found)
        was, now = (shorten(text, WIDTH, placeholder="...") for text in (mutant.was, mutant.now))
        by = found.by.partition(" - ")[0]
        _say(f"{mutant.file}:{mutant.line}: {found.verdict}: {was} -> {now}  {by}")
    return judged


def result(module: str, judged: Sequence[Judged], *, seed: int, words: Sequence[str]) -> bytes:
    """Write down what was found, for the next run to be compared with."""
    counts = Counter(found.verdict for found in judged)
    noticed = counts[Verdict.KILLED] + counts[Verdict.TIME]
    facts = {
        "module": module,
        "seed": seed,
        "tests": list(words),
        "mutants": len(judged),
        "noticed": noticed,
        "noticed of executed": f"{noticed / max(1, noticed + counts[Verdict.SURVIVED]):.0%}",
        "not noticed": [
            {
                "file": str(found.mutant.file),
                "line": found.mutant.line,
                "kind": found.mutant.kind,
                "was": found.mutant.was,
                "now": found.mutant.now,
                "verdict": found.verdict,
                "tests asked": f"{found.asked} of {found.tests}",
            }
            for found in judged
            if found.verdict in {Verdict.SURVIVED, Verdict.UNSEEN, Verdict.SLOW}
        ],
    }
    return json.dumps(facts, indent=2).encode() + b"\n"


def portions(places: Sequence[str]) -> list[list[str]]:
    """Return what to learn at a time: each folder below a place, and its own files together."""
    found = []
    for place in places:
        below = [path.relative_to(TOP) for path in sorted((TOP / place).glob("*"))]
        subfolders = [[str(path)] for path in below if any((TOP / path).rglob("test_*.py"))]
        files = [str(path) for path in below if path.match("test_*.py")]
        found += [*subfolders, files] if files else subfolders or [[place]]
    return found


def main(arguments: Sequence[str] | None = None) -> None:
    """Examine the modules that are named."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=_AsWritten)
    words.add_argument("modules", nargs="*", default=list(guarded.MODULES))
    words.add_argument("--tests", nargs="+", default=["tests/unit", "tests/standards"])
    words.add_argument("--tier", default="", help="marker of the tests, such as tools")
    words.add_argument("--seed", type=int, required=True)
    words.add_argument("--limit", type=int, default=21, help="faults of each module")
    words.add_argument(
        "--seconds", type=float, default=25, help="of sound running time for one fault's tests"
    )
    words.add_argument("--folder", type=Path, default=RESULTS)
    words.add_argument("--work", type=Path, default=MEMORY, help="where the copy is made")
    chosen = words.parse_args(arguments)
    forked.check_rights()
    forked.load_libraries()
    marker = ("-m", chosen.tier) if chosen.tier else ()
    chosen.folder.mkdir(parents=True, exist_ok=True)
    files = {module: guarded.files_of(module) for module in chosen.modules}
    with tempfile.TemporaryDirectory(prefix="holdstill-mutants-", dir=chosen.work) as work:
        bench = Bench(Path(work), chosen.seconds)
        bench.set_up(TOP)
        every_file = [file for some in files.values() for file in some]
        for places in portions(chosen.tests):
            failed = bench.learn([*marker, *places], every_file)
            _say("\n".join([f"{len(bench.sound)} tests learnt, up to {places[-1]}", *failed]))
        for module, some in files.items():
            judged = examine(bench, draw(bench, some, seed=chosen.seed, limit=chosen.limit))
            found = result(module, judged, seed=chosen.seed, words=[*marker, *chosen.tests])
            name = "-".join(Path(module).with_suffix("").parts)
            (chosen.folder / f"{name}.json").write_bytes(found)


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


_AsWritten = argparse.RawDescriptionHelpFormatter

if __name__ == "__main__":
    main()
