"""The tree of a sealed capture made once more, as quickly as the machine can.

Its contents were checked when it was sealed, so several processes may link them at once. They are
processes: each link is some microseconds of the kernel's and some of Python's, and threads would
spend as much again on waiting for the interpreter.
"""

from __future__ import annotations

import itertools
import os
from functools import partial
from typing import TYPE_CHECKING

from holdstill.keeper.capture_tree import TreeResult, TreeWriter
from holdstill.records import index_file
from holdstill.system import files, landlock, process

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path
    from threading import Event

    from holdstill.keeper.store import Store
    from holdstill.records.index_queries import Index, PlacedEntry

BATCH = 10_000
"""Names that are made in a go: a few megabytes of entries."""
WORTH_A_PROCESS = 1000
"""From this many names on, a second process is worth its start."""


def repeat(store: Store, tree: Path, index_path: Path, *, stop: Event) -> bool:
    """Make tree/<part>/... of an index that was sealed; return whether it is whole.

    Args:
        store: has the contents, and allows hard links.
        tree: must not exist.
        index_path: the index with all entries.
        stop: when set, the copy ends unfinished.
    """
    with store.using_contents(), index_file.opened(index_path) as index:
        store.disk.make_directory(tree)
        return all(_is_repeated(store, tree, index, part, stop) for part in index.parts())


def _is_repeated(store: Store, tree: Path, index: Index, part: int, stop: Event) -> bool:
    top = tree / str(part)
    store.disk.make_directory(top)
    with files.opened(top, os.O_RDONLY | os.O_DIRECTORY) as handle:
        # Make what there is, a batch at a time; return whether all of it was made. In key order a
        # directory comes before what is in it. So while processes link the files of one batch, the
        # directories of the next are made.
        hand = RepeatedTreeWriter(store, handle)
        entries = index.placed(part)
        ended_well = _nothing_begun
        try:
            while not stop.is_set() and (batch := list(itertools.islice(entries, BATCH))):
                layout = TreeResult()
                hand.make_directories((entry for entry in batch if not entry.digest), layout)
                before, ended_well = ended_well, _nothing_begun
                if not before() or layout.left_out:
                    return False
                ended_well = _begin(hand, [entry for entry in batch if entry.digest])
        finally:
            well = ended_well()
        return well and not stop.is_set()


class RepeatedTreeWriter(TreeWriter):
    """Links what was linked before, unjudged."""

    def _link(self, entry: PlacedEntry, at: int, came_to: TreeResult) -> None:
        try:
            self.store.contents.link(entry.digest.hex(), entry.name, at)
        except FileNotFoundError:
            came_to.lacking[entry.digest.hex()] = None

    def links_all(self, entries: Iterable[PlacedEntry]) -> bool:
        """Link files into their directories; return whether all could be."""
        layout = TreeResult()
        self.link(entries, layout)
        return not layout.lacking and not layout.left_out


def _nothing_begun() -> bool:
    return True


def _begin(hand: RepeatedTreeWriter, batch: Sequence[PlacedEntry]) -> Callable[[], bool]:
    """Link a batch in as many processes as the disk has use for.

    Returns:
        What waits for them, and tells whether everything was linked.
    """
    hands = hand.store.disk.hands
    if hands == 1 or len(batch) < WORTH_A_PROCESS:
        well = hand.links_all(batch)
        return lambda: well

    def work(entries: Sequence[PlacedEntry]) -> None:
        landlock.die_with_parent()
        if not hand.links_all(entries):
            raise FileNotFoundError

    piece = -(-len(batch) // hands)
    pieces = (batch[at : at + piece] for at in range(0, len(batch), piece))
    return partial(_ended_well, [process.fork_child(partial(work, some)) for some in pieces])


def _ended_well(pids: Sequence[int]) -> bool:
    """Wait for all of them."""
    codes = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]
    return not any(codes)
