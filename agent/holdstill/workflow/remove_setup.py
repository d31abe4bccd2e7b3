"""Undo what set-up made on a board. Captures, and the enrolment, are the keeper's: they stay."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.board import undo_log
from holdstill.schedule import state_file
from holdstill.workflow import board_state
from holdstill.workflow.install_units import remove_units, unlinked

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.system.process import Runner
    from holdstill.workflow.setup import BoardFiles

SPOOL = "/run/holdstill"
"""The default spool, a directory of ours: another one may be shared with other programs."""


_MEMORY = (*board_state.OURS, "audit.json", "card.json", state_file.NIGHTS, ".*.draft")
_IN_RAM = (undo_log.LOCK, state_file.LIVE, state_file.LOCK, ".*.draft")


def remove(machine: BoardFiles, folder: Path, runner: Runner) -> tuple[str, ...]:
    """Take everything away that set-up made on the board; return what was removed.

    Captures, and the board's enrolment, are the keeper's: they stay.
    """
    gone = [*remove_units(machine, folder, runner)]
    public = machine.key.with_name(machine.key.name + ".pub")
    for path in (machine.key, public, machine.host_keys, machine.settings_path):
        gone += unlinked(path)
    state, spool = machine.place(machine.settings.state), machine.place(SPOOL)
    gone += _cleared(state, _MEMORY)
    if not any(spool.glob(f"*{undo_log.SUFFIX}")):  # those know how to bring paused services back
        gone += _cleared(spool, _IN_RAM)
    for directory in (state / board_state.LISTS, state, spool, machine.settings_path.parent):
        with suppress(OSError):  # it has a file that is not ours
            directory.rmdir()
            gone.append(str(directory))
    return tuple(gone)


def _cleared(directory: Path, patterns: Iterable[str]) -> list[str]:
    paths = (path for pattern in patterns for path in sorted(directory.glob(pattern)))
    return [text for path in paths for text in unlinked(path)]
