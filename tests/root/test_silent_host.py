"""A keeper without power: it answers nothing any more, and nobody tells the board.

The board is in a network namespace of its own, with the kernel's TCP at both ends. When the power
goes, no packet passes in either direction, and the keeper's sessions are gone.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import LinkError
from support import boards, faulted, held, network_line, sshd
from support.boards import holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.boards import Board, Kept
    from support.network_line import NetworkLine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
PATIENCE = 240
"""Seconds until a run has ended that does not hear of its keeper any more (DEVELOPERS.md)."""


@contextmanager
def behind(folder: Path, board: Board, more: str) -> Iterator[Kept]:
    """Hold a keeper at the other end of the line."""
    port = sshd.free_port()
    listen = [f"ListenAddress {network_line.KEEPER}:{port}"]
    with boards.kept(folder, board, more=more, server_config=listen) as kept:
        text, here = kept.settings.read_text("utf-8"), f"127.0.0.1:{kept.server.port}\n"
        assert here in text
        there = f"{network_line.KEEPER}:{port}"
        kept.settings.write_text(text.replace(here, f"{there}\n"), "utf-8")
        pin = f"[{network_line.KEEPER}]:{port} {kept.server.host_key}\n"
        kept.server.known_hosts.write_text(pin, "ascii")
        yield kept


def lose_power(line: NetworkLine, kept: Kept) -> None:
    """Take the keeper away: first its line, so that nothing is said of the end of its sessions."""
    line.fall_silent()
    waiting = faulted.children(kept.server.process.pid)
    while waiting:
        process = waiting.pop()
        waiting += faulted.children(process)
        os.kill(process, signal.SIGKILL)


def run_until(point: str, line: NetworkLine, kept: Kept) -> tuple[int, str, float]:
    """Capture; when it has come to a point the keeper loses its power.

    Returns the exit code, what was said, and the seconds from then to the end.
    """
    (asked, ask), (answered, answer) = os.pipe(), os.pipe()
    words = line.words(
        sys.executable, faulted.__file__, point, "ask", ask, answered,
        "capture", "--settings", kept.settings,
    )  # fmt: skip
    try:
        with subprocess.Popen(
            [*map(str, words)], pass_fds=(ask, answered), text=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        ) as process:  # fmt: skip
            os.close(ask)
            assert os.read(asked, 1) == b"?", "it did not come to that point"
            lose_power(line, kept)
            gone_at = time.monotonic()
            os.write(answer, b"!")
            said = process.communicate(timeout=2 * PATIENCE)[1]
            return process.returncode, said, time.monotonic() - gone_at
    finally:
        for handle in (asked, answered, answer):
            os.close(handle)


@pytest.mark.parametrize("point", ["copy", "frozen", "attach"])
def test_a_run_ends_in_time_and_the_next_one_goes_on_when_the_keeper_is_back(
    tmp_path: Path, point: str
) -> None:
    hot = f"""\
hooks:
- name: hot
  how: command
  quiesce: [cp, --, {tmp_path}/last, {tmp_path}/root/hot]
"""
    (tmp_path / "last").write_bytes(os.urandom(30_000))
    with (
        boards.running(tmp_path) as board,
        network_line.running() as line,
        behind(tmp_path, board, hot) as kept,
    ):
        (board.root / "reading").write_bytes(os.urandom(30_000))

        code, said, took = run_until(point, line, kept)
        held.write_moment(board.root / "probe")  # nothing is frozen

        assert code == LinkError.exit_code, said
        assert took < PATIENCE, said
        sealed = kept.store / "boards/pier-3/captures"
        assert not list(sealed.glob("*"))

        line.come_back()
        words = line.words(*boards.PROGRAM, "capture", "--settings", kept.settings)
        again = subprocess.run([*map(str, words)], capture_output=True, text=True, check=False)

        assert again.returncode == 0, again.stderr
        holdstill("verify", "pier-3", "--store", kept.store)
        assert len(list(sealed.glob("*"))) == 1
