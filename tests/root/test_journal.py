"""What goes to systemd's journal is what its own library sends (util-linux' logger)."""

from __future__ import annotations

import io
import socket
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.notify.log import LevelLog
from holdstill.system.journald import JournalSocket
from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

UNDER_SYSTEMD = {"JOURNAL_STREAM": "8:12345"}
PRIVATE = """\
mount -t tmpfs none /run && mkdir -p /run/systemd/journal &&
ln -s "$1" /run/systemd/journal/socket && logger --journald
"""


@contextmanager
def journal(address: Path) -> Iterator[socket.socket]:
    """Listen as the journal does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
        wire.bind(str(address))
        wire.settimeout(10)
        yield wire


def test_the_journals_own_library_says_the_same(tmp_path: Path) -> None:
    address = tmp_path / "socket"
    entry = (
        b"MESSAGE=no capture, exit code 6: the keeper is away\n"
        b"MESSAGE=  next try in 60 s\n"  # indented: nobody's line passes for ours
        b"PRIORITY=3\nSYSLOG_IDENTIFIER=holdstill\n"
        b"HOLDSTILL_BOARD=pier-3\nHOLDSTILL_EXIT_CODE=6\n"
    )
    with journal(address) as wire:
        lines = LevelLog(
            io.StringIO(), environment=UNDER_SYSTEMD, journal=JournalSocket(str(address))
        )
        lines.error(
            "no capture, exit code 6: the keeper is away\nnext try in 60 s",
            board="pier-3", capture="", exit_code="6",
        )  # fmt: skip
        ours = wire.recv(4096)
        programs.run("unshare", "-m", "sh", "-c", PRIVATE, "sh", address, stdin=entry)
        theirs = wire.recv(4096)

    assert ours == theirs


def test_without_a_journal_the_line_is_written_all_the_same(tmp_path: Path) -> None:
    stream = io.StringIO()
    lines = LevelLog(
        stream, environment=UNDER_SYSTEMD, journal=JournalSocket(str(tmp_path / "none"))
    )

    lines.info("sealed 000042", board="pier-3")

    assert stream.getvalue() == "<6>sealed 000042\n"
