"""Measure fifty boards that capture at once through one sshd to one keeper.

    PYTHONPATH=tests .venv/bin/python tests/bench/keeper/many_boards.py --boards 50

Real sshd, real rsync, boards that are simulated in one process of this machine. Sessions are
processes of their own, and then answered by a session host (holdstill-keeper-sessions.service).
The ideal share is what one board's capture takes alone, times the boards, divided by as many of
them as there are processors to serve at once.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
from pathlib import Path

from bench import measured
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.system.process import LocalRunner
from support import boards, boathouse, concurrent_captures, session_hosts


def main() -> None:
    """Run it and print what came out as JSON."""
    measured.compile_program()
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--boards", type=int, default=50)
    words.add_argument("--folder", default="/var/tmp")  # noqa: S108  a disk, not memory
    chosen = words.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
        place = Path(name)
        (place / "own").mkdir()
        alone = measure(place / "own", chosen.boards, tuple(map(str, boards.PROGRAM)))
        with session_hosts.running(place / "sessions.sock"):
            (place / "host").mkdir()
            program = session_hosts.program(place / "sessions.sock")
            by_host = measure(place / "host", chosen.boards, program)
        found = {"a process for each session": alone, "a session host": by_host}
        print(json.dumps(found, indent=1))  # noqa: T201


def measure(folder: Path, count: int, program: tuple[str, ...]) -> dict[str, float]:
    """Return what one board takes alone, and what many take at once."""
    with boathouse.running(folder, program) as house:
        alone = [house.enrol(f"alone-{number}") for number in range(5)]
        fleet = [house.enrol(f"pier-{number}") for number in range(count)]
        single = [
            concurrent_captures.capture(house, b, 1000 + n).seconds for n, b in enumerate(alone)
        ]
        with concurrent_captures.watched() as memory:
            taken = concurrent_captures.capture_at_once(house, fleet)
        good = [
            brief
            for board in fleet
            for brief in BoardCaptures(house.store, board, LocalRunner()).briefs()
            if not brief.faults
        ]
    ideal = statistics.median(single) * count / min(count, os.cpu_count() or 1)
    median = statistics.median(capture.seconds for capture in taken)
    return {
        "boards": count,
        "good captures": len(good),
        "alone, median seconds": round(statistics.median(single), 2),
        "ideal share, seconds": round(ideal, 1),
        "at once, median seconds": round(median, 1),
        "at once, slowest seconds": round(max(capture.seconds for capture in taken), 1),
        "median to ideal share": round(median / ideal, 2),
        "keeper's peak memory, MiB": memory.peak >> 20,
        "keeper's processes at most": memory.processes,
        "load before": round(os.getloadavg()[2], 1),
    }


if __name__ == "__main__":
    main()
