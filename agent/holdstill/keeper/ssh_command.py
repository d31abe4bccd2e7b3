"""The forced command: what an SSH key of a board can make the keeper do.

Either one control channel (JSON-RPC on standard input and output), or one rsync that reads or
writes in a single folder. Anything else is refused and noted.

Every rsync of every board begins a process here: what only the control channel needs is imported
when that is asked for.
"""

from __future__ import annotations

import os
import resource
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.keeper import enrolment, receiving, refused_commands
from holdstill.keeper import forced_command as words
from holdstill.keeper.account import Account
from holdstill.system import landlock, process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from typing import NoReturn

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.settings import KeeperSettings
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner

CPU_AFTERWARDS = 1800
"""Seconds of processor time for what is done when a board has gone."""
AFTERWARDS = 10
"""How much a keeper steps back for others (nice) when its board has gone."""


def forced_command(
    store: Store,
    board: BoardName,
    original: str,
    *,
    key: str = "",
    clock: Clock,
    runner: Runner,
    settings: KeeperSettings,
    afterwards: Callable[[], None],
) -> int:
    """Do what a board's key was used for, if it is allowed; return the exit code.

    key is the fingerprint of that key, as its line in authorized_keys has it.

    When a board that had the control channel is gone, afterwards is called.

    An rsync that only reads takes this process's place: then this function does not return.
    """
    enrolled = enrolment.read(store, board)
    os.umask(0o077)
    with refused_commands.noted(store, store.board_folder(board), original, clock=clock):
        enrolment.check_in_use(enrolled, key)
        wish = words.parse(original)
        match wish:
            case words.ReceiveRequest():
                account = Account(store, enrolled, settings, clock=clock)
                return receiving.receive(store, board, wish, account=account, clock=clock)
            case words.Fetch():
                from holdstill.keeper import fetch_staging  # noqa: PLC0415  it reads captures

                become_sender(wish, fetch_staging.folder(store, board))
            case words.ControlRequest():
                from holdstill.keeper.local import LocalKeeper  # noqa: PLC0415  half of a start
                from holdstill.keeper.ssh_server import SshServer  # noqa: PLC0415

                with LocalKeeper(
                    store, board, clock=clock, runner=runner, settings=settings, key=key
                ) as keeper:
                    SshServer(keeper, store, board, clock=clock).run(0, 1)
                    keeper.close()  # the board may come again at once
                    os.nice(AFTERWARDS)
                    _limit_cpu(CPU_AFTERWARDS)
                    afterwards()
    return 0


def become_sender(wish: words.Fetch, outgoing: Path) -> NoReturn:
    """Become the rsync that reads one folder of what was laid out, and nothing else.

    Raises:
        UsageError: there is no such folder.
    """
    process.require("rsync")
    path = f"{outgoing / wish.folder}/"
    if not os.path.lexists(path):
        raise UsageError("there is nothing to fetch under that name")
    landlock.restrict(read=[*receiving.SYSTEM_READ, path], write=[])
    process.become(Command.of("rsync", "--server", "--sender", *wish.options, ".", path))


def _limit_cpu(seconds: int) -> None:
    """End this process when it has taken so much more: what it reads may be made to take long."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    soft = int(used.ru_utime + used.ru_stime) + seconds
    _, hard = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(
        resource.RLIMIT_CPU, (soft if hard == resource.RLIM_INFINITY else min(soft, hard), hard)
    )
