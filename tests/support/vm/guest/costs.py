"""Take a capture on the board; print its report and what it cost the board, as JSON."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from typing import IO

CAPTURE = ("/usr/local/bin/holdstill", "capture", "--json")


def follow(words: IO[str]) -> list[str]:
    """Return the lines that it tells its steps with, each with the seconds it came after."""
    start = time.monotonic()
    return [f"{time.monotonic() - start:.1f} {line.strip()}" for line in words]


def main() -> None:
    with tempfile.TemporaryFile("w+", encoding="utf-8", dir="/run") as report:
        with subprocess.Popen(
            CAPTURE, stdout=report, stderr=subprocess.PIPE, text=True, encoding="utf-8"
        ) as process:
            assert process.stderr is not None
            steps = follow(process.stderr)
        # Exit code 8 is a sealed capture with something to say: the report has it.
        if process.returncode not in {0, 8}:
            sys.stderr.write("\n".join(steps))
            sys.exit(process.returncode)
        report.seek(0)
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        facts = {
            "report": report.read(),
            "status": process.returncode,
            "steps": steps,
            "peak_kib": used.ru_maxrss,
            "cpu_s": round(used.ru_utime + used.ru_stime, 1),
        }
    json.dump(facts, sys.stdout)


if __name__ == "__main__":
    main()
