"""What sshd starts for a session, where a session host stands ready to answer it.

To import what answers a board takes a weak processor a second and 15 MiB, for each session anew.
A session host (keeper.session_host) has it all imported and forks for each; this hands it the
session's three streams, and becomes a shell that waits for the exit code. So it imports as little
as it can.

One message each way (unix(7), SOCK_SEQPACKET): the first has the number of words, the words, the
working directory, the code's stamp and the environment, with a NUL between each two; with it go
the streams and the end of a pipe, into which the exit code comes. The second, BEGUN, says that
there will be one.
"""

from __future__ import annotations

import os
import socket
import sys

from holdstill.version import VERSION

MESSAGE = 1 << 17
"""Bytes of a message at most: below what a socket takes by default (net.core.wmem_default)."""
BEGUN = b"begun"
HOST = "/run/holdstill-keeper-sessions.sock"
"""Where the unit of that name listens: only root can put anything there."""
_WAIT = """\
read -r code <&3 && exit "$code"
echo "holdstill: the keeper's session host ended in mid-session; try again" >&2
exit 6
"""
"""The shell has a tenth of the memory of this process."""


def hand_over(words: list[str], at: str = HOST) -> None:
    """Have a session host answer: then this process waits for it and does not come back.

    It does where nothing was done: there is no host, it is of another version or another user, or
    the message is too long.
    """
    message = packed(words)
    if message is None:
        return
    waiting, telling = os.pipe()
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as host:
        try:
            host.connect(at)
            socket.send_fds(host, [message], [0, 1, 2, telling])
            is_begun = host.recv(len(BEGUN)) == BEGUN
        except OSError:
            is_begun = False
    os.close(telling)
    if is_begun:
        os.dup2(waiting, 3)
        os.set_inheritable(3, True)  # noqa: FBT003  it may have been the one
        os.execl("/bin/sh", "sh", "-c", _WAIT, "holdstill", *words)  # noqa: S606  fixed words
    os.close(waiting)


def packed(words: list[str]) -> bytes | None:
    """Return the message of a session with these words; None when it is too long."""
    environment = [b"%s=%s" % pair for pair in os.environb.items()]
    folder = os.getcwdb()  # noqa: PTH109  pathlib is left out here
    fields = [b"%d" % len(words), *map(os.fsencode, words), folder, stamp(), *environment]
    message = b"\0".join(fields)
    return message if len(message) <= MESSAGE else None


class SessionWish:
    """What a message asks for.

    Attributes:
        words: of a command line, without the program.
        folder: the working directory.
        stamp: of the code that asks; see `stamp`.
        environment: of the session.
    """

    def __init__(self, message: bytes) -> None:
        count, *fields = message.split(b"\0")
        words, (self.folder, self.stamp, *pairs) = fields[: int(count)], fields[int(count) :]
        self.words = [os.fsdecode(word) for word in words]
        self.environment = dict(pair.split(b"=", 1) for pair in pairs)


def stamp() -> bytes:
    """Return what is another one as soon as this package was exchanged."""
    here = os.stat(os.path.dirname(os.path.dirname(__file__)))  # noqa: PTH116, PTH120  no pathlib
    return b"%s %d %d %s" % (
        VERSION.encode(), here.st_mtime_ns, here.st_ino, os.fsencode(sys.prefix)
    )  # fmt: skip
