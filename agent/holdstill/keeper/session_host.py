"""Answers sessions of boards and readers by forks of one process that has all imported.

A session is its own process as before, with the same words and environment that sshd gave it, and
ends as before; only what it has imported is shared. Each is handed over by a process of this user
(keeper.session_front), which waits for it: that one is in sshd's session, and when it is ended, so
is the session.
"""

from __future__ import annotations

import gc
import os
import selectors
import signal
import socket
import struct
import sys
import traceback
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.keeper import session_front
from holdstill.keeper.session_front import SessionWish
from holdstill.system import process

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import NoReturn

HANDLES = 4
"""Descriptors that are handed over: standard input, output and error, and where the code goes."""
_PEER = struct.Struct("iII")
"""struct ucred: process, user, group (unix(7), SO_PEERCRED)."""


@dataclass(frozen=True)
class Session:
    """A process that answers.

    Attributes:
        ended: a descriptor that is ready when it has ended.
        told: the end of a pipe for its exit code; broken when nobody waits for that any more.
    """

    pid: int
    ended: int
    told: int


class SessionHost:
    """Forks for each session.

    Args:
        listener: where they are handed over.
        answer: does what a command line's words say, and returns the exit code.
        idle: seconds after which a host without sessions ends; systemd begins another one when it
            is needed.
    """

    def __init__(
        self, listener: socket.socket, answer: Callable[[list[str]], int], *, idle: float
    ) -> None:
        self._listener, self._answer, self._idle = listener, answer, idle
        self._sessions: dict[int, Session] = {}
        self._waiting = selectors.DefaultSelector()
        self._stamp = session_front.stamp()
        self._is_stale = False

    def run(self) -> None:
        """Answer until nobody has come for a while, or this code was exchanged."""
        # What was imported is not looked at again: it stays shared. Nor is it collected before: a
        # child would fill the gaps, and each page with one would be its own (gc.freeze, docs).
        gc.freeze()
        self._waiting.register(self._listener, selectors.EVENT_READ)
        while self._sessions or not self._is_stale:
            found = self._waiting.select(self._idle)
            if not found and not self._sessions:
                return
            for key, _ in found:
                self._attend(key.fileobj, key.data)

    def _attend(self, ready: object, session: Session | None) -> None:
        if session is None:
            self._accept()
        elif session.pid not in self._sessions:
            return  # both of its descriptors were ready, and the other one came first
        elif ready == session.told:
            self._waiting.unregister(session.told)
            with suppress(ProcessLookupError):  # who waited was ended: so is the session
                os.kill(session.pid, signal.SIGTERM)
        else:
            self._conclude(session)

    def _accept(self) -> None:
        """Take a session from somebody of this user, and fork for it."""
        try:
            front, _ = self._listener.accept()
        except OSError:
            return  # it has gone again
        with front:
            front.settimeout(1)  # the message comes at once; see session_front
            with suppress(OSError, ValueError):
                self._take(front)

    def _take(self, front: socket.socket) -> None:
        peer = front.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size)
        _, user, _ = _PEER.unpack(peer)
        message, handles, *_ = socket.recv_fds(front, session_front.MESSAGE, HANDLES)
        try:
            if user != os.geteuid() or len(handles) != HANDLES:
                return
            wish = SessionWish(message)
            if not self._stamp == session_front.stamp() == wish.stamp:
                self._is_stale = True
                return
            # This process has no other threads: the child may do all that it likes.
            pid = process.fork_child(lambda: self._become(wish, front, handles))
            session = Session(pid, os.pidfd_open(pid), os.dup(handles[-1]))
        finally:
            for handle in handles:
                os.close(handle)
        self._sessions[pid] = session
        self._waiting.register(session.ended, selectors.EVENT_READ, session)
        self._waiting.register(session.told, selectors.EVENT_READ, session)

    def _conclude(self, session: Session) -> None:
        """Take leave of a session that has ended by itself or by a signal."""
        del self._sessions[session.pid]
        _, status = os.waitpid(session.pid, 0)
        code = os.waitstatus_to_exitcode(status)
        for handle in (session.ended, session.told):
            with suppress(KeyError):
                self._waiting.unregister(handle)
        with suppress(BrokenPipeError):
            os.write(session.told, b"%d\n" % (code if code >= 0 else 128 - code))
        os.close(session.ended)
        os.close(session.told)

    def _become(self, wish: SessionWish, front: socket.socket, handles: list[int]) -> NoReturn:
        """Be the process of a session, and never come back."""
        code = 70
        try:
            front.send(session_front.BEGUN)
            front.close()
            self._let_go()
            for number, handle in enumerate(handles[:-1]):
                os.dup2(handle, number)
            for handle in handles:
                os.close(handle)
            os.setsid()
            os.umask(0o077)
            os.environb.clear()
            os.environb.update(wish.environment)
            os.chdir(wish.folder)
            sys.argv = ["holdstill", *wish.words]
            code = self._answer(wish.words)
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 1
        except BaseException:  # noqa: BLE001  nothing may come back to the host's own loop
            traceback.print_exc()
        with suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)

    def _let_go(self) -> None:
        """Close what is the host's."""
        self._waiting.close()
        self._listener.close()
        for session in self._sessions.values():
            os.close(session.ended)
            os.close(session.told)
