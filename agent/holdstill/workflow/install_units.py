"""Install, enable and remove the board's systemd units."""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from holdstill.system.process import Runner
    from holdstill.workflow.setup import BoardFiles


UNITS = "/etc/systemd/system"


TMPFILES = "/etc/tmpfiles.d"


SYSTEMD_RUNS = Path("/run/systemd/system")
"""Is there when systemd is the init of this machine (sd_booted(3))."""


PATIENCE = 400.0
"""Seconds for systemctl. A service has 90 to start (systemd-system.conf(5)); ours have 180 to
stop, and as many for what they then put back."""


_PROGRAM = re.compile(r"^(Exec\w+=[-@:+!|]*)/\S*/holdstill(?=\s|$)", re.MULTILINE)


@dataclass(frozen=True)
class Installed:
    """The units that were changed; notes have what is left to a person."""

    units: tuple[str, ...] = ()
    enabled: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def systemctl(*words: str, accepted: tuple[int, ...] = (0,)) -> Command:
    """Return a command for systemd, which waits as long as systemd does."""
    return Command.of("systemctl", *words, timeout=PATIENCE, accepted=accepted)


def find_units(folder: Path) -> tuple[Path, ...]:
    """Return the units that belong on a board: all but the keeper's."""
    if not folder.is_dir():
        return ()
    found = (path for path in sorted(folder.iterdir()) if path.suffix in {".service", ".timer"})
    return tuple(path for path in found if "keeper" not in path.name)


def install_units(machine: BoardFiles, folder: Path, program: str, runner: Runner) -> Installed:
    """Put the board's units into place, and start them where systemd runs."""
    units = find_units(folder)
    if not units:
        return Installed(notes=(f"no units in {folder}: {_by_hand(machine)}",))
    if machine.is_this_one and not SYSTEMD_RUNS.exists():
        return Installed(notes=(f"systemd does not run here: {_by_hand(machine)}",))
    target = machine.place(UNITS)
    target.mkdir(parents=True, exist_ok=True)
    for unit in units:
        text = with_program(unit.read_text(encoding="utf-8"), program)
        files.publish(target / unit.name, text.encode(), mode=0o644)
    for path in _tmpfiles(folder):
        target = machine.place(TMPFILES) / path.name
        target.parent.mkdir(parents=True, exist_ok=True)
        files.publish(target, path.read_bytes(), mode=0o644)
        if machine.is_this_one:
            runner.run(Command.of("systemd-tmpfiles", "--create", target))
    names_of = tuple(unit.name for unit in units)
    wanted = tuple(unit.name for unit in units if _is_enabled_by_hand(unit))
    if machine.is_this_one:
        runner.run(systemctl("daemon-reload"))
        runner.run(systemctl("enable", "--now", *wanted))
        return Installed(names_of, wanted)
    if shutil.which("systemctl") is None:
        note = f"no systemctl here: enable {', '.join(wanted)} when that system runs"
        return Installed(names_of, (), (note,))
    runner.run(systemctl(f"--root={machine.top}", "enable", *wanted))
    return Installed(names_of, wanted)


def _tmpfiles(folder: Path) -> list[Path]:
    """Return what makes the board's directories in memory at every boot (tmpfiles.d(5))."""
    return sorted((folder / "tmpfiles.d").glob("*board*.conf"))


def with_program(text: str, program: str) -> str:
    """Let a unit start the holdstill that is installed here, wherever that is."""
    return _PROGRAM.sub(lambda match: match[1] + program, text)


def _is_enabled_by_hand(unit: Path) -> bool:
    return "[Install]" in unit.read_text(encoding="utf-8")


def _by_hand(machine: BoardFiles) -> str:
    hour, minute = machine.settings.nightly.time.split(":")
    return (
        "let your service manager run `holdstill nightly`, or cron `holdstill capture` at "
        f"{hour}:{minute}"
    )


def remove_units(machine: BoardFiles, folder: Path, runner: Runner) -> list[str]:
    """Disable and remove the units and tmpfiles; return what was removed."""
    target = machine.place(UNITS)
    units = [target / unit.name for unit in find_units(folder)]
    there = [unit for unit in units if unit.exists()]
    if not there:
        return []
    wanted = [unit.name for unit in there if _is_enabled_by_hand(unit)]
    if machine.is_this_one and SYSTEMD_RUNS.exists():
        runner.run(systemctl("disable", "--now", *wanted))
    elif shutil.which("systemctl") is not None:
        runner.run(systemctl(f"--root={machine.top}", "disable", *wanted))
    there += [machine.place(TMPFILES) / path.name for path in _tmpfiles(folder)]
    gone = [text for path in there for text in unlinked(path)]
    if machine.is_this_one and SYSTEMD_RUNS.exists():
        runner.run(systemctl("daemon-reload"))
    return gone


def unlinked(path: Path) -> list[str]:
    """Remove a file if it is there; return its path then."""
    if not os.path.lexists(path):
        return []
    path.unlink()
    return [str(path)]
