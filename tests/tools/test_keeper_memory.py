"""What a board may make large takes the keeper's disk, not its memory."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import pytest

from holdstill.model.entries import Entry, EntryType
from holdstill.records import index_file
from support import programs

if TYPE_CHECKING:
    from pathlib import Path

GROWN = """\
import os, resource, sys
from pathlib import Path
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
"""
"""Before a script that prints by how many KiB its peak grew."""
CHECK_AN_INDEX = f"""\
{GROWN}
from holdstill.records import index_check
before = peak()
index_check.check(Path(sys.argv[1]))
print(peak() - before)
"""
LOG_DIGESTS = f"""\
{GROWN}
from holdstill.keeper.possession import DigestLog
from holdstill.keeper.store_disk import StoreDisk
log = DigestLog(Path(sys.argv[1]), StoreDisk())
log.add(["00" * 32])
before = peak()
for _ in range(int(sys.argv[2]) // 1000):
    log.add([os.urandom(32).hex() for _ in range(1000)])
again = DigestLog(Path(sys.argv[1]), StoreDisk())
assert "00" * 32 in again and "01" * 32 not in again
print(peak() - before)
"""


READ_A_CALL = f"""\
{GROWN}
from holdstill.keeper import json_rpc
from holdstill.errors import SecurityError
line = sys.argv[1].encode() * ((7 << 20) // len(sys.argv[1]))
line = b'{{"jsonrpc":"2.0","id":1,"method":"hello","params":{{"x":"' + line + b'"}}}}'
before = peak()
json_rpc.read_call(line)
print(peak() - before)
"""


def grown(script: str, *words: str) -> int:
    """Return by how many MiB the peak memory of a process grew that ran a script."""
    return int(programs.run(sys.executable, "-c", script, *words)) >> 10


def test_m11_checking_an_index_takes_the_same_memory_however_long_its_rows_are(
    tmp_path: Path,
) -> None:
    """25,000 names of links with long targets: all of them are sorted, 110 MiB."""
    path = tmp_path / "index"
    with index_file.created(path) as index:
        index.put(2, Entry(b"", b"", EntryType.DIRECTORY), seq=1)
        links = (
            Entry(
                b"", b"%06d" % n, EntryType.SYMLINK, link=1 + n * 7919 % 25_000, target=b"t" * 4000
            )
            for n in range(25_000)
        )
        index.put_all(2, links, seq=1)
    assert path.stat().st_size > 100 << 20

    assert grown(CHECK_AN_INDEX, os.fspath(path)) < 24


def test_a_log_of_digests_takes_the_same_memory_however_long_it_is(tmp_path: Path) -> None:
    """A set of 200,000 digests in memory would take 20 MiB."""
    path = tmp_path / "shown"

    assert grown(LOG_DIGESTS, os.fspath(path), "200000") < 12

    assert path.stat().st_size == 32 * 200_001


@pytest.mark.parametrize("text", ["a", r"\\", r"\"", "[", r"\u00e9"])
def test_a_long_message_takes_a_few_times_its_length(text: str) -> None:
    """7 MiB in one string: a pattern that may go back at each character took a gigabyte."""
    assert grown(READ_A_CALL, text) < 120
