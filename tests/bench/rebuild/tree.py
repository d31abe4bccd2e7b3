"""Make a tree of 100,000 files and 3 GB for `run.py`, always the same.

`.venv/bin/python tests/bench/rebuild/tree.py TREE`

Sizes are spread as those of the 117,000 files in /usr of a Debian development machine, which was
looked at once (see SIZES); a seventh as many directories, and a few symlinks.
"""

from __future__ import annotations

import random
import sys
from bisect import bisect_right
from pathlib import Path

FILES, SYMLINKS, DIRECTORIES, FOLDERS_MAX = 100_000, 4_000, 14_000, 12
TOTAL = 3_000_000_000
SIZES = (
    (0.0, 1), (0.1, 411), (0.25, 937), (0.5, 2026), (0.75, 6926), (0.9, 24352), (0.95, 54030),
    (0.99, 262491), (0.999, 6759376), (1.0, 60_000_000),
)  # fmt: skip
"""Shares of files, and the bytes that so many have at most."""


def main(top: Path) -> None:
    """Make the tree at a path where nothing is yet."""
    draw = random.Random(3)  # noqa: S311  not for secrets
    top.mkdir(parents=True)
    folders = made_folders(top, draw)
    sizes = drawn_sizes(draw)
    for number, size in enumerate(sizes):
        path = draw.choice(folders) / f"{draw.choice(WORDS)}-{number}.{draw.choice(ENDINGS)}"
        path.write_bytes(draw.randbytes(size))
        if number < SYMLINKS:
            (draw.choice(folders) / f"link-{number}").symlink_to(path.name)


WORDS = ("gauge", "reading", "pier", "tide", "libharbour", "index", "README", "configuration")
ENDINGS = ("py", "txt", "so.1", "json", "log", "html")


def made_folders(top: Path, draw: random.Random) -> list[Path]:
    """Make directories in directories; return them all."""
    folders = [top]
    while len(folders) <= DIRECTORIES:
        above = draw.choice(folders)
        if len(above.parts) - len(top.parts) < FOLDERS_MAX:
            folders.append(above / f"{draw.choice(WORDS)}-{len(folders)}")
            folders[-1].mkdir()
    return folders


def drawn_sizes(draw: random.Random) -> list[int]:
    """Draw as many sizes as there are files; the largest are changed until the sum is right."""
    sizes = sorted(round(size_at(draw.random())) for _ in range(FILES))
    largest = range(FILES - FILES // 1000, FILES)
    left = TOTAL - sum(sizes) + sum(sizes[number] for number in largest)
    scale = left / sum(sizes[number] for number in largest)
    for number in largest:
        sizes[number] = round(sizes[number] * scale)
    draw.shuffle(sizes)
    return sizes


def size_at(share: float) -> float:
    """Return the size at a share of all files; between the known ones, its logarithm is linear."""
    above = bisect_right([known for known, _ in SIZES], share)
    (low, least), (high, most) = SIZES[above - 1], SIZES[above]
    return float(least * (most / least) ** ((share - low) / (high - low)))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
