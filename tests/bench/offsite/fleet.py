"""A fleet's nights: 200 small boards, 4 keepers, one bucket; one keeper is killed, one burns.

    PYTHONPATH=tests .venv/bin/python tests/bench/offsite/fleet.py

Stores are real and signed, the server is a SeaweedFS on this machine, and the keepers send all at
once, each by the command `holdstill offsite upload`. In the first night one of them is killed when
its first pack is there, and sends again. Before the last night that keeper burns: its boards move
to the other three, which look first at what the bucket has. Then all captures of each fifth board
are read back by the recovery key and compared, and the whole copy is verified without it.

What is measured is what the plan for scale counts with: processor, bytes, objects and requests.
Results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from bench import measured
from holdstill.keeper import enrolment
from holdstill.model.names import check_board
from holdstill.offsite import check, sent
from holdstill.system.clocks import SystemClock
from support import seaweed
from support.offsite import CopiedStore
from support.silence import Silent
from support.usage import Usage, used

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from holdstill.offsite.bucket_address import BucketAddress

MIB = 1 << 20
HOLDSTILL = Path(sys.executable).with_name("holdstill")
SHARED, OWN, CHANGED = (60, 32 << 10), (40, 64 << 10), (10, 10 << 10)
"""Files and bytes of each: the same on all boards, of a board alone, and new in a night."""
EACH = 5
"""Of how many boards one is read back."""
COLUMNS = (
    "night", "boards", "runs", "MiB new", "MiB there", "objects", "requests", "s",
    "CPU s a run", "CPU s a board", "server CPU s", "peak MiB",
)  # fmt: skip


@dataclass(frozen=True)
class Night:
    """What all keepers together did in one night.

    Attributes:
        boards: captured; runs: of `offsite upload`.
        new_bytes: of files that were new, each counted once for each keeper.
        object_bytes, objects: that the bucket has more than before.
        requests: calls of the server.
        seconds: by the clock, of the slowest keeper.
        cpu: seconds of processors, of all runs; server_cpu: of the server.
        peak: most bytes that a run had resident.
    """

    what: str
    boards: int
    runs: int
    new_bytes: int
    object_bytes: int
    objects: int
    requests: int
    seconds: float
    cpu: float
    server_cpu: float
    peak: int


@dataclass
class Keeper:
    """A keeper, and its boards' files as they were last captured."""

    held: CopiedStore
    name: str
    boards: dict[str, dict[bytes, bytes]] = field(default_factory=dict)


class Fleet:
    """The keepers, and all that was ever captured, to be compared with what comes back."""

    def __init__(self, folder: Path, address: BucketAddress, *, keepers: int, boards: int) -> None:
        self.random = Random(20261130)  # noqa: S311  files of a bench
        self.captured: dict[tuple[str, str], dict[bytes, bytes]] = {}
        self.keepers: list[Keeper] = []
        self.shared = self._files(b"usr/%d", *SHARED)
        for number in range(keepers):
            name = f"{number:016x}"
            place = folder / f"keeper-{number}"
            if self.keepers:
                held = CopiedStore(place, address, key=self.keepers[0].held.key)
            else:
                held = CopiedStore(place, address)
            held.set_up(keeper=name)
            self.keepers.append(Keeper(held, name))
        for number in range(boards):
            keeper, name = self.keepers[number % keepers], f"pier-{number:03d}"
            keeper.held.held.enrol(name)
            keeper.boards[name] = self.shared | self._files(b"own/%d", *OWN)

    def _files(self, name: bytes, count: int, size: int) -> dict[bytes, bytes]:
        """Return files of which half is easily compressed."""
        return {
            name % n: self.random.randbytes(size // 2) + bytes(size - size // 2)
            for n in range(count)
        }

    def capture(self, keeper: Keeper) -> None:
        """Take a capture of each of a keeper's boards."""
        for board, files in keeper.boards.items():
            name = keeper.held.capture(board, files)
            self.captured[board, name] = dict(files)

    def change(self, keeper: Keeper) -> int:
        """Change files of each board; return how many bytes are new."""
        for board, files in keeper.boards.items():
            keeper.boards[board] = files | self._files(b"log/%d", *CHANGED)
        return len(keeper.boards) * CHANGED[0] * CHANGED[1]

    def burn(self, lost: Keeper) -> int:
        """Move the boards of a keeper that is no more to the others; return bytes of theirs."""
        self.keepers.remove(lost)
        for number, (board, files) in enumerate(lost.boards.items()):
            to = self.keepers[number % len(self.keepers)]
            pair = lost.held.held.keys[board]
            to.held.held.keys[board] = pair
            enrolment.enrol(
                to.held.held.store, check_board(board), pair.public, clock=SystemClock(),
                limits=None,
            )  # fmt: skip
            to.boards[board] = files
            to.held.clock.advance(600)  # names have seconds
        return sum(sum(map(len, files.values())) for files in lost.boards.values())


def main() -> None:
    """Measure, compare, and write it down."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--boards", type=int, default=200)
    parser.add_argument("--keepers", type=int, default=4)
    parser.add_argument("--nights", type=int, default=2, help="between the first and the last")
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    asked = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="holdstill-fleet-", dir=asked.folder) as folder,
        seaweed.running() as server,
    ):
        fleet = Fleet(
            Path(folder), server.address(), keepers=asked.keepers, boards=asked.boards
        )  # fmt: skip
        nights, told = _nights(fleet, server, asked.nights)
    measured.write_down("fleet", nights, _page(nights, told))


def _nights(fleet: Fleet, server: seaweed.Seaweed, many: int) -> tuple[list[Night], list[str]]:
    told: list[str] = []
    unlucky = fleet.keepers[1]
    for keeper in fleet.keepers:
        fleet.capture(keeper)
    there = sum(map(len, fleet.shared.values())) * len(fleet.keepers)
    own = len(fleet.captured) * OWN[0] * OWN[1]
    nights = [_night("the first", fleet, server, there + own, kills=unlucky, told=told)]
    for number in range(many):
        new = sum(map(fleet.change, fleet.keepers))
        for keeper in fleet.keepers:
            fleet.capture(keeper)
        nights.append(_night(f"night {number + 2}", fleet, server, new))
    nights.append(_night("nothing new", fleet, server, 0))
    moved = len(unlucky.boards)
    new = fleet.burn(unlucky) + sum(map(fleet.change, fleet.keepers))
    for keeper in fleet.keepers:
        fleet.capture(keeper)
    nights.append(_night(f"a keeper less, {moved} boards moved", fleet, server, new, "--shared"))
    told.append(_compared(fleet))
    return nights, told


def _night(
    what: str, fleet: Fleet, server: seaweed.Seaweed, new: int, *options: str,
    kills: Keeper | None = None, told: list[str] | None = None,
) -> Night:  # fmt: skip
    bucket = fleet.keepers[0].held.bucket
    before = {(one.key, one.id): one for one in bucket.versions("")}
    of_server = server.cpu_seconds()
    if kills is not None and told is not None:
        told.append(_killed(kills))
    with ThreadPoolExecutor(len(fleet.keepers)) as pool:
        runs = list(pool.map(lambda one: _uploaded(one, options), fleet.keepers))
    of_server = server.cpu_seconds() - of_server
    fresh = [one for one in bucket.versions("") if (one.key, one.id) not in before]
    usage, said = [run[0] for run in runs], [run[1] for run in runs]
    boards = sum(len(keeper.boards) for keeper in fleet.keepers)
    return Night(
        what, boards if new else 0, len(runs), new, sum(one.size for one in fresh), len(fresh),
        sum(one["requests"] for one in said), max(one.seconds for one in usage),
        sum(one.cpu for one in usage), of_server, max(one.peak for one in usage),
    )  # fmt: skip


def _words(keeper: Keeper, options: Iterable[str] = ()) -> list[object]:
    return [HOLDSTILL, "offsite", "upload", "--store", keeper.held.root, "--json", *options]


def _uploaded(keeper: Keeper, options: Sequence[str]) -> tuple[Usage, dict[str, int]]:
    said = keeper.held.folder / "said.json"
    usage = used(_words(keeper, options), output=said)
    return usage, json.loads(said.read_text(encoding="ascii"))


def _killed(keeper: Keeper) -> str:
    """Kill a keeper's upload when its first pack is noted; return how far it was."""
    words = [os.fspath(str(word)) for word in _words(keeper)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL) as process:
        while not (noted := _packs(keeper.held.root / sent.NAME)):
            assert process.poll() is None, "it ended before it could be killed"
            time.sleep(0.01)
        process.kill()
    heads = list(keeper.held.bucket.versions(f"keepers/{keeper.name}/"))
    return f"Keeper {keeper.name} was killed with {noted} packs put and {len(heads)} heads."


def _packs(notes: Path) -> int:
    if not notes.exists():
        return 0
    with closing(sqlite3.connect(f"file:{notes}?mode=ro", uri=True)) as db:
        try:
            (count,) = db.execute("SELECT count(*) FROM pack").fetchone()
        except sqlite3.OperationalError:  # it is just being made
            return 0
    return int(count)


def _compared(fleet: Fleet) -> str:
    """Read back all captures of each fifth board by the recovery key, and compare them."""
    held = fleet.keepers[0].held
    begin = time.monotonic()
    with held.library() as opened:
        faults = opened.catalogue.faults
        chosen = {*sorted({board for board, _ in fleet.captured})[::EACH]}
        read = {at: files for at, files in fleet.captured.items() if at[0] in chosen}
        for (board, name), files in read.items():
            assert held.restored(opened, f"{board}/{name}") == files, (board, name)
    seconds = time.monotonic() - begin
    found = check.check(held.bucket, Silent(), own=None, parts=1, turn=0)
    assert (found.missing, found.altered, found.unlocked) == ((), (), ()), found
    return (
        f"{len(read)} of {len(fleet.captured)} captures, all of each fifth board, were read back "
        f"and are what was captured ({seconds:.0f} s); {found.heads} heads and {found.packs} "
        "packs verified without the key, nothing missing, altered or unlocked; faults: "
        f"{len(faults)}, odd: {len(found.odd)}."
    )


def _page(nights: list[Night], told: list[str]) -> str:
    head = measured.machine()
    about = (
        f"`{head['command']}` on {head['machine']}, {head['processors']} processors, "
        f"Linux {head['release']}; load {os.getloadavg()[0]:.1f} at the end."
    )
    lines = [
        "# A fleet's nights", "", about, "",
        f"| {' | '.join(COLUMNS)} |", "|---" * len(COLUMNS) + "|",
        *map(_row, nights), "", *told, "",
    ]  # fmt: skip
    return "\n".join(lines)


def _row(one: Night) -> str:
    each = f"{one.cpu / one.boards:.3f}" if one.boards else ""
    return (
        f"| {one.what} | {one.boards} | {one.runs} | {one.new_bytes / MIB:.1f} | "
        f"{one.object_bytes / MIB:.1f} | {one.objects} | {one.requests} | {one.seconds:.1f} | "
        f"{one.cpu / one.runs:.2f} | {each} | {one.server_cpu:.1f} | {one.peak / MIB:.0f} |"
    )


if __name__ == "__main__":
    main()
