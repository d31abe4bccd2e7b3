"""The command `holdstill keeper accept`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, completion, local_store, terminal
from holdstill.errors import MachineError, UsageError
from holdstill.keeper import account_captures, capture_notes, enrolment, take_in
from holdstill.keeper.board_captures import NO_ACCESS, UNREADABLE, BoardCaptures
from holdstill.model import names, sizes
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref


@click.command("accept", short_help="Accept a damaged ledger, or a lost board.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@click.argument("board", shell_complete=completion.boards)
@click.option("--reason", required=True, help="What happened; it is written into the ledger.")
@click.option(
    "--forget",
    "unusable",
    metavar="CAPTURE",
    multiple=True,
    help="Delete a capture that is damaged or altered: its name or number. Say it for each.",
)
@click.option(
    "--forget-missing",
    is_flag=True,
    help="Forget captures that are gone from its folder: nobody has them any more.",
)
def command(
    store: Path, board: str, *, reason: str, unusable: tuple[str, ...], forget_missing: bool
) -> None:
    r"""Continue with a board whose ledger was damaged, once you know the cause.

    A ledger that does not add up may be an attacker's work. Nothing of the board is sealed or
    deleted until its owner has looked, and says so with this command. Captures in its folder that
    the ledger does not have are taken in if a key of the board signed them; others need to be
    moved out first.

    While captures are gone that nobody deleted, nothing of anybody's is deleted. They may be on a
    copy of the store: put them back. If they are nowhere, say --forget-missing; what they alone
    needed rests in the trash from the next `holdstill thin --apply` on. One that is there, and of
    no use any more, is given up with --forget.

    Of a board whose folder is gone it says that board and captures are to be forgotten: until then
    nothing of anybody's is deleted.

    \b
    Examples:
      holdstill keeper accept /srv/holdstill pier-3 --reason "disk restored"
      holdstill keeper accept /srv/holdstill pier-3 --forget-missing \
        --reason "disk died"
    """
    capture_notes.check_reason(reason)
    opened = as_owner.opened(store)
    if board in account_captures.lost_boards(opened):
        account_captures.forget_board(opened, names.check_board(board))
        terminal.say(f"{board} is forgotten: {reason}")
        return
    name = local_store.enrolled(opened, board)
    enrolment.lay_out(opened, name)
    shelf, clock = BoardCaptures(opened, name, LocalRunner()), SystemClock()
    account_captures.ensure_sound(opened)
    broken = shelf.ledger_faults()
    if taken := take_in.take_in(shelf, clock=clock):
        terminal.say(
            f"{sizes.counted(len(taken), 'capture')} taken in, and pinned, since nobody knows any "
            f"more which were: {', '.join(taken)}",
            f"`holdstill unpin {name}/NUMBER` leaves one to retention again",
        )
    if broken:
        terminal.warn(
            f"{name}: what stood in damaged lines is lost, pins as well: see `holdstill list "
            f"{name}`, and pin again what is to stay"
        )
    capture_notes.accept(opened, name, reason, clock=clock)
    terminal.say(f"{name} goes on with its ledger as it is; the reason is noted in it")
    # Now: what only the ledger was wrong with is good again.
    if taken or forget_missing or unusable:  # what rests in the trash is not gone
        account_captures.take_back(opened, name)
    hopeless = _hopeless(shelf, unusable)
    gone = account_captures.missing(opened, name) if forget_missing else ()
    if forget_missing or hopeless:  # the store may remember more than it can name
        gone = (*gone, *hopeless)
        # First they are gone, then they are known to be: cut off in between, they are missing.
        account_captures.forget(opened, name, gone)
        capture_notes.given_up(opened, name, gone, clock=clock)
        terminal.say(f"{sizes.counted(len(gone), 'capture')} forgotten", *gone)


def _hopeless(shelf: BoardCaptures, chosen: tuple[str, ...]) -> tuple[str, ...]:
    """Return the names of captures that are to be deleted, all of them of no use.

    Raises:
        UsageError: there is no such capture, or it is good.
        MachineError: one cannot be read now.
    """
    briefs = shelf.briefs() if chosen else ()
    found = [capture_ref.chosen(briefs, which, shelf.board) for which in chosen]
    for brief in found:
        if brief.is_whole:
            raise UsageError(
                f"capture {brief.name} of {shelf.board} is good, as far as anybody knows",
                hint="no capture was deleted; `holdstill thin` deletes what retention does not "
                "keep",
            )
        if any(fault.startswith((NO_ACCESS, UNREADABLE)) for fault in brief.faults):
            raise MachineError(
                f"capture {brief.name} of {shelf.board}: {brief.faults[0]}",
                hint="no capture was deleted; mend that first: it may well be good",
            )
    return tuple(dict.fromkeys(brief.name for brief in found))
