"""Measure the steps of sealing a capture, and of the newest tree, by how much changed.

    PYTHONPATH=tests .venv/bin/python tests/bench/keeper/sealing.py --entries 150000

Two indexes are made directly; the board's capture before is accounted for, as after a night. The
contents of files are names only: of those that did not change, none is looked for.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import resource
import statistics
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.keeper import latest_tree, references
from holdstill.keeper.references import AccountedCapture
from holdstill.model.entries import Entry, EntryType, Seen
from holdstill.records import index_check, index_file
from support import keeping
from support.keeping import PIER_3, FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator

FILES_IN_FOLDER = 20


def main() -> None:
    """Run it and print medians as JSON."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--entries", type=int, default=150_000)
    words.add_argument("--changed", type=int, nargs="+", default=[0, 100])
    words.add_argument("--times", type=int, default=5)
    words.add_argument("--folder", default="/var/tmp")  # noqa: S108  a disk, not memory
    chosen = words.parse_args()
    found: dict[str, object] = {}
    for changed in chosen.changed:
        with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
            bench = Bench(Path(name), chosen.entries, changed)
            for _ in range(chosen.times):
                bench.run()
        medians = {step: round(statistics.median(took), 4) for step, took in bench.took.items()}
        found[f"{changed} changed, seconds"] = medians
    found["peak, MiB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
    print(json.dumps(found, indent=1))  # noqa: T201


def entries(count: int, changed: int) -> Iterator[Entry]:
    """Yield the entries of a tree in key order; as many files as changed have new contents."""
    yield Entry(b"", b"", EntryType.DIRECTORY, mode=0o755)
    folders = count // (FILES_IN_FOLDER + 1)
    for number in range(folders):
        yield Entry(b"", b"d%06d" % number, EntryType.DIRECTORY, mode=0o755)
    every = count // changed if changed else count + 1
    for number in range(count - folders - 1):
        body = b"%d %d" % (number, number % every == 0)
        yield Entry(
            b"d%06d" % (number // FILES_IN_FOLDER % folders),
            b"f%07d" % number,
            EntryType.FILE,
            mode=0o644,
            size=1000,
            digest=hashlib.sha256(body).digest(),
            seen=Seen(number + 2, number, 0),
        )


class Bench:
    """Two captures of a board, and how long each step from one to the other took."""

    def __init__(self, folder: Path, count: int, changed: int) -> None:
        self.took: dict[str, list[float]] = {}
        self.store = keeping.make_store(folder / "boathouse", clock=FakeClock())
        self.old, self.new = folder / "old", folder / "new"
        for path, seq, differing in ((self.old, 1, 0), (self.new, 2, changed)):
            with index_file.created(path) as index:
                index.put_all(2, entries(count, differing), seq=seq if differing else 1)
        with references.opened(self.store) as known, index_file.opened(self.old) as index:
            known.load(index.digests())
            known.add(PIER_3, AccountedCapture(1, "000001-20261125T021503Z", "1" * 64))
        self.before = (self.store.root / references.NAME).read_bytes()

    @contextmanager
    def timed(self, step: str) -> Iterator[None]:
        """Note how long the block takes."""
        begun = time.perf_counter()
        yield
        self.took.setdefault(step, []).append(time.perf_counter() - begun)

    def run(self) -> None:
        """Do every step once, from the same state."""
        (self.store.root / references.NAME).write_bytes(self.before)
        with self.timed("index: check of every row"):
            index_check.check(self.new)
        with (
            references.opened(self.store) as known,
            index_file.opened(self.new) as index,
        ):
            with self.timed("index: totals"):
                index.totals(2)
            with self.timed("index: digests, read alone"):
                for _ in index.digests():
                    pass
            with self.timed("references: load"):
                known.load(index.digests())
            with self.timed("references: not of the newest"):
                list(known.not_of(PIER_3))
            with self.timed("references: new bytes"):
                known.new_bytes()
            with self.timed("references: add"):
                known.add(PIER_3, AccountedCapture(2, "000002-20261126T021503Z", "2" * 64))
        with (
            self.timed("tree: compare"),
            index_file.opened_beside(self.new, self.old) as beside,
        ):
            latest_tree.compare(beside, 2)


if __name__ == "__main__":
    main()
