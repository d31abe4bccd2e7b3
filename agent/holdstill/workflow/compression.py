"""Which contents are compressed on their way: those of which a sample shows that it is worth it.

rsync on both sides agrees on the best method that both have, zstd or zlib (rsync(1), --compress).
The sample is compressed by zlib at its fastest, which every Python has: zstd is smaller and
faster, so that what is judged worth it here is.
"""

from __future__ import annotations

import os
import stat
import time
import zlib
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

from holdstill.model.line_settings import Compress
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

SAMPLE = 32 << 10
"""Bytes that are tried of a content."""
SMALL = 64 << 10
"""Contents of less are judged together, by some of them."""
SMALL_TRIED = 24
FIRST_TRIED = 4
"""If compressing keeps up with the line for none of these, no more are tried: on a fast line the
trials of a first capture took a tenth of all processor time (measured)."""
WORTH = 0.85
"""What must become of a byte: less is gained than checking and unpacking cost."""
HEADROOM = 4.0
"""How many times faster than the line this processor must compress: the board has other work."""
FEW_BYTES = 128 << 10
"""Less than that does not get a transfer, and a login, of its own."""
_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK  # a pipe may be in its place by now


class Choice(NamedTuple):
    """Contents by how they are sent, with the bytes of those that are compressed."""

    plain: Mapping[str, Path]
    compressed: Mapping[str, Path]
    compressed_bytes: int = 0


class _Tried(NamedTuple):
    """What became of some bytes, and how long that took."""

    before: int = 0
    after: int = 0
    seconds: float = 0.0

    def __add__(self, other: tuple[object, ...]) -> _Tried:
        assert isinstance(other, _Tried)  # noqa: S101  of its own kind only
        return _Tried(
            self.before + other.before, self.after + other.after, self.seconds + other.seconds
        )

    def is_worth_it(self, rate: float) -> bool:
        """Whether compressing saves time on a line of so many bytes a second."""
        return self.after <= WORTH * self.before and self.keeps_up(rate)

    def keeps_up(self, rate: float) -> bool:
        """Whether that was fast enough for a line of so many bytes a second."""
        return self.before > HEADROOM * rate * self.seconds


def choose(paths: Mapping[str, Path], setting: Compress, rate: float) -> Choice:
    """Return which contents to compress.

    Args:
        paths: contents by their names at the other end.
        setting: the board's.
        rate: of the line, in bytes a second; 0 for not known: then nothing is, by itself.
    """
    if setting is Compress.NO or (setting is Compress.AUTO and not rate):
        return Choice(paths, {})
    sizes = {name: _size(path) for name, path in paths.items()}
    if setting is Compress.YES:
        return Choice({}, paths, sum(sizes.values()))
    if not _keeps_up(paths, sizes, rate):
        return Choice(paths, {})
    small = [name for name, size in sizes.items() if size < SMALL]
    chosen = {
        name for name, size in sizes.items()
        if size >= SMALL and _tried(paths[name], size).is_worth_it(rate)
    }  # fmt: skip
    if _sampled(paths, small).is_worth_it(rate):
        chosen.update(small)
    return _rounded(paths, sizes, chosen)


def _rounded(paths: Mapping[str, Path], sizes: Mapping[str, int], chosen: set[str]) -> Choice:
    """Leave out a group that is too small for a transfer of its own."""
    packed = sum(sizes[name] for name in chosen)
    if 0 < sum(sizes.values()) - packed < FEW_BYTES and packed >= FEW_BYTES:
        chosen = set(paths)
    elif packed < FEW_BYTES and len(chosen) < len(paths):
        chosen = set()
    return Choice(
        {name: path for name, path in paths.items() if name not in chosen},
        {name: path for name, path in paths.items() if name in chosen},
        sum(sizes[name] for name in chosen),
    )


def _keeps_up(paths: Mapping[str, Path], sizes: Mapping[str, int], rate: float) -> bool:
    """Whether for some of these, evenly spread among the largest, compressing is fast enough."""
    largest = sorted(sizes, key=lambda name: -sizes[name])[: max(FIRST_TRIED, len(sizes) // 4)]
    some = largest[:: max(1, len(largest) // FIRST_TRIED)][:FIRST_TRIED]
    return any(_tried(paths[name], sizes[name]).keeps_up(rate) for name in some)


def _size(path: Path) -> int:
    with suppress(OSError):
        return path.stat().st_size
    return 0


def _sampled(paths: Mapping[str, Path], names: Sequence[str]) -> _Tried:
    """Try some of these, evenly spread."""
    total = _Tried()
    for name in names[:: max(1, len(names) // SMALL_TRIED)]:
        total += _tried(paths[name], 0)
    return total


def _tried(path: Path, size: int) -> _Tried:
    """Compress bytes from the middle of a content of this size."""
    with suppress(OSError), files.opened(path, _FLAGS) as handle:
        if stat.S_ISREG(os.fstat(handle).st_mode):
            data = os.pread(handle, SAMPLE, max(0, (size - SAMPLE) // 2))
            began = time.thread_time()
            packed = zlib.compress(data, level=1)
            return _Tried(len(data), len(packed), time.thread_time() - began)
    return _Tried()
