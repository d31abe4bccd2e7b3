"""The keeper's timers: installed where systemd runs, and as lines for cron elsewhere."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.system import files
from holdstill.workflow import install_units
from holdstill.workflow.install_units import systemctl

if TYPE_CHECKING:
    from holdstill.system.process import Runner

STORE, USER = Path("/srv/holdstill"), "keeper"
"""What the units as they are shipped are for."""
DROP_IN = "holdstill-setup.conf"
SESSIONS = "holdstill-keeper-sessions.socket"
"""The one socket that every keeper has use for."""
_PACKAGED = Path("/usr/lib/systemd/system")
_KEPT = ("var/lib/holdstill-page", "var/lib/holdstill-rehearsals", "run/holdstill-page")
"""Folders of the units below the root directory (systemd.exec(5), StateDirectory=)."""
_STAMPS = "var/lib/systemd/timers"
"""Where systemd notes when a timer with Persistent= last elapsed (systemd.timer(5))."""
_WRITTEN = "# Written by `holdstill keeper setup`."
_HIDDEN = ("/home", "/root", "/run/user")
"""What ProtectHome= takes away (systemd.exec(5))."""
_WHEN = re.compile(
    r"^OnCalendar=(?:(\w{3}) )?\*-\*-\* (\*|\d\d):(\d\d)(?:/(\d\d))?:00 UTC$", re.MULTILINE
)
_EXEC = re.compile(r"^ExecStart=/\S+ (.*)$", re.MULTILINE)
_DAYS = ("Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat")


@dataclass(frozen=True)
class KeeperUnits:
    """The keeper's units, and what they are for.

    Attributes:
        folder: where they are shipped.
        program: the absolute path of holdstill.
        top: the root directory that they are installed into.
    """

    folder: Path
    program: str
    store: Path
    user: str
    top: Path = Path("/")

    def shipped(self) -> tuple[Path, ...]:
        """Return the units that belong to a keeper."""
        return tuple(sorted(self.folder.glob("holdstill-keeper-*.*")))

    def timers(self) -> tuple[Path, ...]:
        """Return those that are enabled: a template is for single boards.

        Those of an off-site copy are, where the store has one; elsewhere each of them would fail.
        """
        found = (p for p in self.shipped() if p.suffix == ".timer" and "@" not in p.name)
        has_copy = (self.store / "offsite.yaml").exists()
        return tuple(p for p in found if has_copy or "-offsite-" not in p.name)

    def started(self) -> tuple[str, ...]:
        """Return the names of units that are started: the timers, and the socket of sessions."""
        sockets = (unit.name for unit in self.shipped() if unit.name == SESSIONS)
        return (*(timer.name for timer in self.timers()), *sockets)

    def enabled(self) -> tuple[str, ...]:
        """Return all that may have been enabled; a template stands for all of its boards."""
        names = (p.name for p in self.shipped() if p.suffix in {".timer", ".socket"})
        # `systemctl disable` fails for what is not there, after an older version's setup say.
        return tuple(n for n in names if self.place(n).exists() or self._packaged(n).exists())

    def _packaged(self, name: str) -> Path:
        """Return where a package has a unit."""
        return self.top / str(_PACKAGED).lstrip("/") / name

    def place(self, name: str) -> Path:
        """Return where a unit of the administrator's is."""
        return self.top / install_units.UNITS.lstrip("/") / name

    def wanted(self) -> dict[Path, str]:
        """Return what is to be in the administrator's folder, by its path."""
        found = {}
        for unit in self.shipped():
            if not self._packaged(unit.name).exists():
                text = unit.read_text(encoding="utf-8")
                found[self.place(unit.name)] = install_units.with_program(text, self.program)
            own = self._drop_in() if unit.suffix == ".service" else ""
            if unit.name == SESSIONS and self.user != USER:
                own = f"{_WRITTEN}\n[Socket]\nSocketUser={self.user}\n"
            if own:
                found[self.place(f"{unit.name}.d/{DROP_IN}")] = own
        return found

    def _drop_in(self) -> str:
        """Return what units need for another store or user than the usual (systemd.unit(5))."""
        if (self.store, self.user) == (STORE, USER):
            return ""
        path = str(self.store)
        if not path.isprintable() or set(path) & set('"\\%: '):
            raise UsageError(
                f"{path!r} cannot be written in a unit of systemd",
                hint="name a store without blanks, quotes, colons and percent signs",
            )
        lines = [_WRITTEN, "[Service]", f"User={self.user}"]
        lines.append(f"ReadWritePaths=-{path}")
        if any(self.store.is_relative_to(hidden) for hidden in _HIDDEN):
            lines += ["ProtectHome=tmpfs", f"BindPaths=-{path}"]
        return "\n".join(lines) + "\n"

    def cron_lines(self) -> tuple[str, ...]:
        """Return the same as lines of /etc/cron.d (crontab(5)); their hours are local time there.

        The shell must not take a name of the command for a word of its own.
        """
        lines = []
        for timer in self.timers():
            when = _WHEN.search(timer.read_text(encoding="utf-8"))
            service = timer.with_suffix(".service").read_text(encoding="utf-8")
            words = _EXEC.search(service)
            if when is None or words is None:
                raise UsageError(f"{timer}: no time that cron could be told")
            day = str(_DAYS.index(when[1])) if when[1] else "*"
            hour = "*" if when[2] == "*" else str(int(when[2]))
            minute = f"{int(when[3])}-59/{int(when[4])}" if when[4] else str(int(when[3]))
            command = shlex.join([self.program, *shlex.split(words[1])])
            lines.append(f"{minute} {hour} * * {day} {self.user} {command}")
        return tuple(lines)


def install(units: KeeperUnits, runner: Runner) -> tuple[str, ...]:
    """Put the units into place and start the timers; return the paths that were changed."""
    changed = []
    for path, text in units.wanted().items():
        if files.read_if_there(path) != text.encode():
            path.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
            files.publish(path, text.encode(), mode=0o644)
            changed.append(str(path))
    if changed:
        runner.run(systemctl("daemon-reload"))
    runner.run(systemctl("enable", "--now", *units.started()))
    return tuple(changed)


def remove(units: KeeperUnits, runner: Runner) -> tuple[str, ...]:
    """Stop the timers and take away what `install` put into place; return what is gone."""
    is_running = install_units.SYSTEMD_RUNS.exists()
    if is_running and (names := units.enabled()):
        runner.run(systemctl("disable", *names))
        # What a socket has started ends with it (Requires=, systemd.unit(5)).
        patterns = (name.replace("@.", "@*.") for name in names)
        runner.run(systemctl("stop", *patterns))
    gone = _cleaned(units, runner) if is_running else []
    for unit in units.shipped():
        own = units.place(f"{unit.name}.d/{DROP_IN}")
        gone += [*install_units.unlinked(own), *install_units.unlinked(units.place(unit.name))]
        if own.parent.is_dir() and not any(own.parent.iterdir()):
            own.parent.rmdir()
    if is_running and gone:
        runner.run(systemctl("daemon-reload"))
    return tuple(gone)


def _cleaned(units: KeeperUnits, runner: Runner) -> list[str]:
    """Take away what units have kept beside the store: images, logs, when timers last elapsed."""
    kept = [p for place in _KEPT if (p := units.top / place).is_dir()]
    for unit in units.shipped():
        if "StateDirectory=" in unit.read_text(encoding="utf-8"):
            # Of a template any instance stands for all. A unit that runs on keeps its folder: 1.
            words = ("--what=state", "--what=runtime", unit.name.replace("@.", "@any."))
            runner.run(systemctl("clean", *words, accepted=(0, 1)))
    stamps = (units.top / _STAMPS).glob("stamp-holdstill-keeper-*.timer")
    gone = [text for stamp in sorted(stamps) for text in install_units.unlinked(stamp)]
    return [str(path) for path in kept if not path.exists()] + gone
