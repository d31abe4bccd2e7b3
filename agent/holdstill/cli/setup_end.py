"""The last words of `holdstill setup`: what happens next and when, and what to remember."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.cli import terminal
from holdstill.schedule import due_nights
from holdstill.schedule.zone import LocalZone
from holdstill.system.clocks import SystemClock
from holdstill.workflow import install_units

if TYPE_CHECKING:
    from holdstill.workflow.setup import BoardFiles


def tell(machine: BoardFiles, *, is_let_in: bool, was_captured: bool) -> None:
    """Say how it goes on."""
    board = machine.settings.board
    terminal.say(f"Ready: {board} is set up.", _next_run(machine))
    if not is_let_in:
        terminal.say("The keeper does not let this board in yet: until then every run fails.")
    if not was_captured:
        terminal.say("Take a first capture while you are here: `sudo holdstill capture`")
    rebuild = f"sudo holdstill rebuild {board} /dev/sdX"
    terminal.say(
        "Three commands to remember:",
        "  sudo holdstill status                   how the last runs went, and what to do",
        "  sudo holdstill capture                  a capture now",
        f"  {rebuild:<38}  at the keeper: a new card",
    )


def _next_run(machine: BoardFiles) -> str:
    nightly = machine.settings.nightly
    if not machine.is_this_one or not install_units.SYSTEMD_RUNS.exists():
        return f"Its runs are due at {nightly.time} local time, once something starts them there."
    zone = LocalZone()()
    due = due_nights.rule_of(machine.settings).next_due(SystemClock().now(), zone)
    local = due.astimezone(zone)
    which = f"on {', '.join(nightly.days)}" if nightly.days else "every night"
    return f"Next run: {local:%A, %Y-%m-%d at %H:%M} local time ({local:%Z}), and {which}."
