"""A large file that changes names, content and size under the hands of a capture that follows it.

The witness is a whole read of the frozen file, in the same freeze.
"""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import pytest

from support import boards, witnessed
from support.boards import Board, Kept, holdstill
from support.witnessed import digest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.witnessed import Report

pytestmark = pytest.mark.timeout(300)
MIB = 1 << 20
SIZE = 24 * MIB
NAME, SPARE = "levels", "spare"
WRITER = """
import os, sys, time
handle = os.open(sys.argv[1], os.O_RDWR)
while True:
    os.pwrite(handle, os.urandom(4096), 4096 * (time.monotonic_ns() % 256))
    time.sleep(0.02)
"""
"""Writes to the first MiB of one inode, whatever it is called."""


@dataclass(frozen=True)
class Busy:
    """A board with a file that is written to, a second one beside it that is not, and a keeper."""

    board: Board
    kept: Kept
    folder: Path

    @property
    def at(self) -> Path:
        return self.board.root / "srv"

    def captured(self, name: str, *, deed: str = "") -> tuple[Report, str]:
        """Take a capture; return its report and the SHA-256 of a file as it was frozen."""
        return witnessed.captured(self.kept.settings, self.at / name, deed=deed)

    def again(self, name: str) -> Path:
        """Get the newest capture's files; return the folder that they were in."""
        to = self.folder / name
        holdstill("get", "pier-3", "/srv", "--to", to, "--store", self.kept.store)
        return to


@contextmanager
def busy(folder: Path, *, in_pause: str = "") -> Iterator[Busy]:
    """Hold it, captured once, so that it is followed from now on.

    in_pause: a shell's line that runs in the next pause, after the last look, before the freeze.
    """
    with boards.running(folder, size=320 * MIB) as board:
        at, ready = board.root / "srv", folder / "ready"
        at.mkdir()
        for name in (NAME, SPARE):
            (at / name).write_bytes(os.urandom(SIZE))
        hook = json.dumps(f"rm {shlex.quote(str(ready))} || exit 0; {in_place(in_pause, at)}")
        more = "pause: {ceiling: 10.0}\n"
        more += f"hooks: [{{name: deed, how: command, quiesce: [/bin/sh, -ec, {hook}]}}]\n"
        with boards.kept(folder, board, more=more) as kept, written(at / NAME):
            one = Busy(board, kept, folder)
            one.captured(NAME)
            ready.touch()
            yield one


def in_place(line: str, at: Path) -> str:
    return f"cd {shlex.quote(os.fspath(at))}; {line}"


@contextmanager
def written(path: Path) -> Iterator[None]:
    with subprocess.Popen([sys.executable, "-c", WRITER, path]) as writer:
        try:
            yield
        finally:
            writer.kill()


class Deed(NamedTuple):
    """What happens to the file: a shell's line, and the name that it has then."""

    line: str
    name: str = NAME
    whole: bool = False
    """Whether a pause has to take most of it, or of the one beside it, if it happens there."""


DEEDS = {
    "renamed": Deed(f"mv {NAME} moved", "moved"),
    "into-a-folder": Deed(f"mkdir deep; mv {NAME} deep/moved", "deep/moved"),
    "linked": Deed(f"ln {NAME} other", "other"),
    "link-stays": Deed(f"ln {NAME} other; rm {NAME}", "other"),
    "exchanged": Deed(f"mv {NAME} x; mv {SPARE} {NAME}; mv x {SPARE}", SPARE, whole=True),
    "renamed-over": Deed(f"cp {SPARE} new; mv new {NAME}", whole=True),
    "deleted-and-made": Deed(f"rm {NAME}; cp {SPARE} {NAME}", whole=True),
    "emptied-and-filled": Deed(f"cp {SPARE} {NAME}", whole=True),
    "shorter": Deed(f"truncate -s {20 * MIB + 100} {NAME}"),
    "longer": Deed(f"truncate -s {SIZE + 100_000} {NAME}"),
    "too-small-to-follow": Deed(f"truncate -s {10 * MIB} {NAME}"),
    "mostly-holes": Deed(f"fallocate -p -o {2 * MIB} -l {16 * MIB} {NAME}"),
    "shifted": Deed(f"fallocate -i -o {8 * MIB} -l 65536 {NAME}", whole=True),
}


EVERY_DAY = {"renamed", "deleted-and-made", "shorter"}
CASES = [
    pytest.param(deed, id=name, marks=[] if name in EVERY_DAY else pytest.mark.slow)
    for name, deed in DEEDS.items()
]


@pytest.mark.parametrize("deed", CASES)
def test_when_a_hot_round_has_read_it(tmp_path: Path, deed: Deed) -> None:
    with busy(tmp_path) as one:
        _, frozen = one.captured(deed.name, deed=in_place(deed.line, one.at))

        assert digest(one.again("again") / deed.name) == frozen


@pytest.mark.parametrize("deed", CASES)
def test_between_the_last_look_and_the_freeze(tmp_path: Path, deed: Deed) -> None:
    with busy(tmp_path, in_pause=deed.line) as one:
        report, frozen = one.captured(deed.name)
        spare = SPARE if deed.name != SPARE else NAME
        again = one.again("again")

        assert digest(again / deed.name) == frozen
        assert digest(again / spare) == digest(one.at / spare)
        assert (report["spool_bytes"] > SIZE / 2) == deed.whole


def test_a_file_with_two_names_has_them_again_and_is_taken_once(tmp_path: Path) -> None:
    with busy(tmp_path) as one:
        (one.at / "other").hardlink_to(one.at / NAME)
        for night in ("first", "second"):
            report, frozen = one.captured(NAME)
            again = one.again(night)

            assert digest(again / NAME) == digest(again / "other") == frozen
            assert report["spool_bytes"] < SIZE / 4
