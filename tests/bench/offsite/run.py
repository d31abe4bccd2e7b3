"""Measure an off-site copy: how fast, at what cost of processor and memory, what a night takes.

    PYTHONPATH=tests .venv/bin/python tests/bench/offsite/run.py

A store is filled with files of --files, sent to a SeaweedFS on this machine by the command
`holdstill offsite upload`, and put beside the server's own puts of 32 MiB, before and after. The
server shares the processors: what a processor spends on a MiB counts more than the time by the
clock. --random: instead of all files only noise, which cannot be packed, and half noise, half
files; each as often as --times, with nothing else. Results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from holdstill.offsite import promises
from support import seaweed
from support.offsite import CopiedStore
from support.usage import Usage, used

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.offsite.bucket import Bucket

MIB = 1 << 20
PUT, PUTS = 32 * MIB, 5
LARGE = 16 * MIB
"""Files from this size on are lists of pieces, which these captures have not."""
COLUMNS = (
    "run", "files", "MiB", "objects", "MiB there", "s", "MiB/s of files", "MiB/s there",
    "puts of 32 MiB, MiB/s", "files / puts", "CPU s a MiB of files", "server CPU s", "peak MiB",
)  # fmt: skip
HOLDSTILL = Path(sys.executable).with_name("holdstill")


@dataclass(frozen=True)
class Sent:
    """One run of `offsite upload`.

    Attributes:
        files, file_bytes: that were new.
        objects, object_bytes: that the bucket has more than before.
        seconds: by the clock.
        cpu, server_cpu: seconds of processors, of the command and of the server.
        peak: most bytes that the command had resident.
        put_rate: bytes a second of the server's own puts in the same run, their median.
    """

    what: str
    files: int
    file_bytes: int
    objects: int
    object_bytes: int
    seconds: float
    cpu: float
    server_cpu: float
    peak: int
    put_rate: float


def main() -> None:
    """Measure, and write it down."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=Path, default=Path("/usr"))
    parser.add_argument("--mebibytes", type=int, default=400)
    parser.add_argument("--random", action="store_true")
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    asked = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="holdstill-bench-", dir=asked.folder) as folder,
        seaweed.running() as server,
    ):
        files = dict(_files(asked.files, asked.mebibytes * MIB))
        if asked.random:
            runs = list(_first_ones(Path(folder), server, files, asked))
        else:
            runs = _nights(_made(Path(folder), server), server, files)
    name = "offsite-random" if asked.random else "offsite"
    measured.write_down(name, runs, _page(runs))


def _made(folder: Path, server: seaweed.Seaweed) -> CopiedStore:
    held = CopiedStore(folder, server.address())
    held.held.enrol("pier-3")
    return held


def _nights(held: CopiedStore, server: seaweed.Seaweed, first: dict[bytes, bytes]) -> list[Sent]:
    runs = [_sent("the first", held, server, first, first)]
    change = {b"var/log/%d" % n: os.urandom(20_000) for n in range(100)}
    runs.append(_sent("a night", held, server, first | change, change))
    runs.append(_sent("nothing", held, server, None, {}))
    return runs


def _first_ones(
    folder: Path, server: seaweed.Seaweed, files: dict[bytes, bytes], asked: argparse.Namespace
) -> Iterator[Sent]:
    """Yield first uploads of noise, and of noise and files."""
    for turn in range(asked.times):
        noise = {b"noise/%d" % n: os.urandom(MIB) for n in range(asked.mebibytes)}
        half = dict(list(noise.items())[: asked.mebibytes // 2])
        room = asked.mebibytes * MIB // 2
        some = {}
        for name, data in files.items():
            if room > 0:
                some[name] = data
                room -= len(data)
        for what, content in (("noise", noise), ("noise and files", half | some)):
            with tempfile.TemporaryDirectory(dir=folder) as place:
                held = _made(Path(place), server)
                yield _sent(f"{what}, {turn + 1}", held, server, content, content)


def _files(top: Path, most: int) -> Iterator[tuple[bytes, bytes]]:
    for folder, folders, names in os.walk(top):
        folders.sort()
        for name in sorted(names):
            path = Path(folder, name)
            if not path.is_file() or path.is_symlink() or not os.access(path, os.R_OK):
                continue
            data = path.read_bytes()
            if 0 < len(data) < LARGE:
                yield os.fsencode(path)[1:], data
                most -= len(data)
            if most <= 0:
                return


def _sent(
    what: str, held: CopiedStore, server: seaweed.Seaweed, files: dict[bytes, bytes] | None,
    new: dict[bytes, bytes],
) -> Sent:  # fmt: skip
    if files is not None:
        held.capture("pier-3", files)
    before = held.versions("")
    rates = list(_put_rates(held.bucket))
    of_server = server.cpu_seconds()
    usage = _uploaded(held)
    of_server = server.cpu_seconds() - of_server
    rates += _put_rates(held.bucket)
    fresh = [one for one in held.versions("") if one not in before]
    fresh = [one for one in fresh if not one.key.startswith("trial/")]
    return Sent(
        what, len(new), sum(map(len, new.values())), len(fresh), sum(one.size for one in fresh),
        usage.seconds, usage.cpu, of_server, usage.peak, statistics.median(rates),
    )  # fmt: skip


def _uploaded(held: CopiedStore) -> Usage:
    return used([HOLDSTILL, "offsite", "upload", "--store", held.root])


def _put_rates(bucket: Bucket) -> Iterator[float]:
    data = os.urandom(PUT)
    md5 = promises.md5_of(data)
    for number in range(PUTS):
        begin = time.monotonic()
        bucket.put(f"trial/{number}", data, md5)
        yield PUT / (time.monotonic() - begin)


def _page(runs: list[Sent]) -> str:
    head = measured.machine()
    about = (
        f"`{head['command']}` on {head['machine']}, {head['processors']} processors, "
        f"Linux {head['release']}; load {os.getloadavg()[0]:.1f} at the end."
    )
    lines = ["# Off-site copies", "", about, "", f"| {' | '.join(COLUMNS)} |"]
    lines.append("|---" * len(COLUMNS) + "|")
    lines += [_row(run) for run in runs]
    return "\n".join([*lines, ""])


def _row(run: Sent) -> str:
    size, there = run.file_bytes / MIB, run.object_bytes / MIB
    rate, puts = size / run.seconds, run.put_rate / MIB
    each = f"{run.cpu / size:.3f}" if size else f"{run.cpu:.2f} in all"
    return (
        f"| {run.what} | {run.files} | {size:.1f} | {run.objects} | {there:.2f} | "
        f"{run.seconds:.1f} | {rate:.1f} | {there / run.seconds:.1f} | {puts:.1f} | "
        f"{rate / puts:.2f} | {each} | {run.server_cpu:.1f} | {run.peak / MIB:.0f} |"
    )


if __name__ == "__main__":
    main()
