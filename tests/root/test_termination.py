"""systemd stops the daemon while everything is held still: it lets go first, and in order."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from support import held, loop

STOPPED = Path(held.__file__).with_name("stopped_holder.py")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_told_to_stop_in_the_frozen_span_it_thaws_at_once(
    number: signal.Signals, tmp_path: Path
) -> None:
    with (
        tempfile.TemporaryDirectory(dir="/dev/shm") as journal,
        loop.ext4_volume(tmp_path) as volume,
        loop.thaw_guard(volume, seconds=15),
    ):
        words: list[str | Path] = [sys.executable, STOPPED, "hang", journal, volume]
        with subprocess.Popen(words, stdout=subprocess.PIPE) as holder:
            assert holder.stdout is not None
            try:
                assert holder.stdout.readline() == b"holding\n"
                was_frozen = held.is_frozen(volume)
                told = time.monotonic()
                for _ in range(3):  # a second and a third word do not cut the cleaning up short
                    holder.send_signal(number)
                done = held.write_moment(volume / "on")  # waits for the thaw
                last_words = holder.stdout.readline()
                code = holder.wait(10)
            finally:
                holder.kill()

    assert was_frozen
    # Its guard would have let go after 5 s: it was the program itself.
    assert done - told < 2
    assert (code, last_words) == (0, b"ended in order: %s\n" % number.name.encode())
