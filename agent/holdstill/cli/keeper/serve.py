"""The command `holdstill keeper serve`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import as_owner, options
from holdstill.errors import UsageError
from holdstill.keeper import enrolment, readers, refused_commands, session_slots
from holdstill.model import names
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName


@click.command("serve", short_help="Serve one board over SSH (forced command).")
@click.option("--store", required=True, type=click.Path(path_type=Path, readable=False))
@click.option("--board", help="The board whose key came in.")
@click.option("--reader", help="Or the reader whose key came in.")
@click.option("--key", required=True, help="Fingerprint of the key that came in (SHA256:...).")
@options.settings_option(options.KEEPER_SETTINGS)
def command(
    store: Path, board: str | None, reader: str | None, key: str, settings_path: Path
) -> int:
    r"""Answer one board or reader over SSH; sshd runs this for its key, people never need to.

    Takes what was asked for from SSH_ORIGINAL_COMMAND: the control channel, or one rsync of ours.

    \b
    Example, as the line of `keeper enrol` in authorized_keys has it:
      holdstill keeper serve --store /srv/holdstill --board pier-3 --key KEY
    """
    return answer(store, board, reader, key, settings_path)


def answer(
    store: Path, board: str | None, reader: str | None, key: str, settings_path: Path
) -> int:
    """Do what the command does."""
    if (board is None) == (reader is None):
        raise UsageError("one of --board and --reader is needed")
    opened = as_owner.opened(store)
    session_slots.be_first_to_go()
    asked = os.environ.get("SSH_ORIGINAL_COMMAND", "")
    if reader is not None:
        return _answer_reader(opened, reader, key, asked, settings_path)
    name = names.check_board(board or "")
    # Before it has a slot: who has a key that was withdrawn is to take none from the others.
    with refused_commands.noted(opened, opened.board_folder(name), asked, clock=SystemClock()):
        enrolment.check_in_use(enrolment.read(opened, name), key)
    with session_slots.held(opened.root, name):
        return _answer(opened, name, key, settings_path)


def _answer_reader(store: Store, reader: str, key: str, asked: str, settings_path: Path) -> int:
    folder, clock = readers.folder(store, reader), SystemClock()
    with refused_commands.noted(store, folder, asked, clock=clock):
        readers.check_in_use(store, reader, key)
        look = f"`ps -ef | grep -- '--reader {reader}'`"
        with session_slots.held_in(folder, f"reader {reader}", look):
            from holdstill.keeper import reader_server  # noqa: PLC0415  as below
            from holdstill.system.process import LocalRunner  # noqa: PLC0415

            rules = options.keeper_settings(settings_path, store.root)
            reader_server.serve(
                store, reader, asked, key=key, clock=clock, runner=LocalRunner(),
                min_free=int(rules.min_free),
            )  # fmt: skip
    return 0


def _answer(store: Store, board: BoardName, key: str, settings_path: Path) -> int:
    # Half of the memory and time of a start: not for a session that is one too many.
    from holdstill.keeper import ssh_command  # noqa: PLC0415
    from holdstill.system.process import LocalRunner  # noqa: PLC0415

    settings = options.keeper_settings(settings_path, store.root)
    clock, runner = SystemClock(), LocalRunner()

    def follow_up() -> None:
        from holdstill.workflow import after_capture  # noqa: PLC0415  not while boards wait

        after_capture.follow_up(store, board, settings, clock=clock, runner=runner)

    return ssh_command.forced_command(
        store,
        board,
        os.environ.get("SSH_ORIGINAL_COMMAND", ""),
        key=key,
        settings=settings,
        clock=clock,
        runner=runner,
        afterwards=follow_up,
    )
