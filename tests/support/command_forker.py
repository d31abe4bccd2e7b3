"""A program: forks a process for each command line of the product, with its modules loaded.

    command_forker.py SOCKET

It leaves whoever started it. Each message on the socket asks for one: JSON with words, environment
and folder, and descriptors for what it prints, what it says, and how it went. Ends when the other
end is closed.
"""

from __future__ import annotations

import atexit
import gc
import json
import os
import pkgutil
import signal
import socket
import sys
import traceback
from contextlib import suppress
from importlib import import_module
from typing import NoReturn, TypedDict

import paramiko  # noqa: F401  what most of them load, and takes longest

from holdstill.cli import main

MESSAGE = 1 << 18
DESCRIPTORS = 3


def load() -> None:
    """Load what commands load when they are called."""
    for package in ("holdstill.cli", "holdstill.workflow", "holdstill.keeper"):
        for module in pkgutil.walk_packages(import_module(package).__path__, f"{package}."):
            import_module(module.name)


class Wish(TypedDict):
    """What is asked for."""

    words: list[str]
    environment: dict[str, str]
    folder: str


def serve(asked: socket.socket) -> None:
    """Answer until the other end is closed."""
    while True:
        message, handles, *_ = socket.recv_fds(asked, MESSAGE, DESCRIPTORS)
        if not message:
            return
        if os.fork() == 0:
            asked.close()
            watch(json.loads(message), *handles)
        for handle in handles:
            os.close(handle)


def watch(wish: Wish, out: int, said: int, how: int) -> NoReturn:
    """Fork once more for the command; tell that process's id, and its end."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    child = os.fork()
    if child == 0:
        do(wish, out, said, how)
    with suppress(BrokenPipeError):  # it was not waited for
        os.write(how, b"%d\n" % child)
        _, status = os.waitpid(child, 0)
        os.write(how, b"%d\n" % os.waitstatus_to_exitcode(status))
    os._exit(0)


def do(wish: Wish, out: int, said: int, how: int) -> NoReturn:
    """Become the command; end without taking apart what so many modules have made."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    for standard, handle in enumerate((nothing, out, said)):
        os.dup2(handle, standard)
    for handle in (nothing, out, said, how):
        os.close(handle)
    os.environ.clear()
    os.environ.update(wish["environment"])
    os.chdir(wish["folder"])
    sys.argv = ["holdstill", *wish["words"]]
    code = 1
    try:
        main.main()
    except SystemExit as end:
        code = int(end.code or 0)
    except Exception:  # noqa: BLE001  as the interpreter does
        traceback.print_exc()
    atexit._run_exitfuncs()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    if os.fork():
        os._exit(0)  # whoever started it has no child of this kind: some tests look at theirs
    load()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for those that watch
    gc.freeze()
    with socket.socket(fileno=int(sys.argv[1])) as end:
        serve(end)
