"""Let a coverage-guided fuzzer loose on the parsers.

    pip install --group fuzz
    PYTHONPATH=tests .venv/bin/python tests/fuzz/run.py ext4 --seconds 600 --folder /tmp/fuzz

It ends non-zero at the first find, and leaves the input that led to it in the folder. Without
--seconds it runs until it is stopped. The corpus grows in the folder and is used again.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import sys
from pathlib import Path

# It must change the parsers' bytecode while they are being imported, so nothing imports them here.
atheris = importlib.import_module("atheris")
with atheris.instrument_imports(include=["holdstill"]):
    targets = importlib.import_module("fuzz.targets")


def main() -> None:
    """Run one target."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("target", choices=sorted(targets.TARGETS))
    words.add_argument("--seconds", type=int, default=0, help="0: until it is stopped")
    words.add_argument("--folder", type=Path, required=True)
    chosen = words.parse_args()
    target = targets.TARGETS[chosen.target]
    corpus = chosen.folder / chosen.target
    corpus.mkdir(parents=True, exist_ok=True)
    for seed in target.seeds():
        (corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
    options = [
        f"-max_total_time={chosen.seconds}",
        f"-artifact_prefix={chosen.folder}/{chosen.target}-find-",
        "-timeout=20",
        "-rss_limit_mb=1024",
        "-print_final_stats=1",
    ]
    atheris.Setup([sys.argv[0], *options, str(corpus)], target.run)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
