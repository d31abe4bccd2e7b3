"""Hooks for known databases; the docstring of each class has its settings.

All of them trust the frozen instant for what is crash-safe, and add what is not.
"""

from __future__ import annotations

import urllib.parse
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board.service_hooks import parse_properties
from holdstill.errors import CommandError, PauseError, UsageError
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from holdstill.board.service_control import (
        HookSession,
        LineDialog,
        ServiceControl,
        ServiceState,
    )

POLL = 0.05
"""Seconds between two checks of a service that is still busy."""
_AS_ROOT = frozenset({"", "root"})


def recipe_for(shift: HookSession) -> ServiceControl:
    """Return the recipe that the hook names.

    Raises:
        UsageError: there is no recipe of that name, or it has no such setting.
    """
    name = shift.hook.subject
    if name not in RECIPES:
        raise UsageError(
            f"hook {shift.hook.name}: there is no recipe {name}",
            hint=f"there are: {', '.join(sorted(RECIPES))}",
        )
    make, known = RECIPES[name]
    unknown = sorted(set(shift.hook.settings) - known)
    if unknown:
        raise UsageError(
            f"hook {shift.hook.name}: recipe {name} knows no setting {', '.join(unknown)}",
            hint=f"it knows: {', '.join(sorted(known))}",
        )
    return make(shift)


def _as_user(user: str) -> tuple[str, ...]:
    return () if user in _AS_ROOT else ("runuser", "-u", user, "--")


class PostgreSql:
    """PostgreSQL: a checkpoint, so that a copy of the instant recovers quickly.

    A frozen instant of data, write-ahead log and table spaces together is what its documentation
    asks for (Backup and Restore, File System Level Backup); not so with fsync or
    full_page_writes off.

    Settings:
        user: who runs psql, by default postgres. host: directory of its socket, or a name.
        port, database: by default 5432 and postgres.
    """

    SETTINGS = frozenset({"user", "host", "port", "database"})

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Make sure that the server survives a crash."""
        query = "SELECT name || '=' || setting FROM pg_settings WHERE name IN "
        output = parse_properties(self._ask(query + "('fsync', 'full_page_writes')"))
        off = [name for name in ("fsync", "full_page_writes") if output.get(name) != "on"]
        if off:
            raise PauseError(
                f"PostgreSQL runs with {' and '.join(off)} off: a copy of one instant may be "
                "damaged",
                hint="switch it on, or stop the unit for the pause (`how: stop`)",
            )
        return {}

    def quiesce(self, _before: Mapping[str, str]) -> None:
        """Write everything to the data files; the server goes on."""
        self._ask("CHECKPOINT")

    def resume(self, _before: Mapping[str, str]) -> None:
        """Nothing was stopped."""

    def _ask(self, query: str) -> str:
        shift = self._shift
        options = [*_as_user(shift.setting("user", "postgres")), "psql"]
        options += ["-X", "-A", "-t", "-q", "-w", "-v", "ON_ERROR_STOP=1"]
        if shift.setting("host"):
            options += ["-h", shift.setting("host")]
        options += ["-p", shift.setting("port", "5432")]
        return shift.run(*options, "-d", shift.setting("database", "postgres"), "-c", query)


class MariaDb:
    """MariaDB: an open session keeps commits waiting (BACKUP STAGE BLOCK_COMMIT).

    The server releases the lock when the session ends, however it ends: nothing can stay behind.
    See MariaDB's documentation, "Storage Snapshots and BACKUP STAGE Commands".

    Settings:
        user: who runs the client, by default root. socket, login, defaults_file: as the client's
        --socket, --user and --defaults-extra-file.
    """

    SETTINGS = frozenset({"user", "socket", "login", "defaults_file"})
    _DONE = "holdstill-done"

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift
        self._undo = ExitStack()
        self._held: LineDialog | None = None

    def inspect(self) -> ServiceState:
        """Nothing needs to be known before."""
        return {}

    def quiesce(self, _before: Mapping[str, str]) -> None:
        """Let running commits finish, and new ones wait."""
        shift = self._shift
        words = [*_as_user(shift.setting("user")), "mariadb"]
        if shift.setting("defaults_file"):  # the client wants this one first
            words.append(f"--defaults-extra-file={shift.setting('defaults_file')}")
        words += ["--batch", "--skip-column-names", "--unbuffered"]
        if shift.setting("socket"):
            words.append(f"--socket={shift.setting('socket')}")
        if shift.setting("login"):
            words.append(f"--user={shift.setting('login')}")
        client = Command(tuple(words), shift.left)
        talk = self._undo.enter_context(self._shift.machine.dialog(client))
        seconds = max(1, int(self._shift.left))
        self._ask(
            talk,
            f"SET SESSION lock_wait_timeout={seconds}; BACKUP STAGE START; "
            "BACKUP STAGE BLOCK_COMMIT;",
        )
        self._held = talk

    def resume(self, _before: Mapping[str, str]) -> None:
        """Let commits continue; raise if the session was lost, and they continued meanwhile."""
        talk, self._held = self._held, None
        with self._undo:  # ending the session releases the lock in any case
            if talk is None:
                return
            try:
                self._ask(talk, "BACKUP STAGE END;")
            except CommandError as error:
                raise PauseError(
                    "MariaDB ended the session that held its commits; the copy of it is only as "
                    f"good as after a crash: {error}"
                ) from error

    def _ask(self, talk: LineDialog, statements: str) -> None:
        question = f"{statements} SELECT '{self._DONE}';\n"
        talk.ask(question, until=self._DONE, seconds=self._shift.left)


class Sqlite:
    """SQLite: nothing is needed, since database, -wal and -journal come from one instant.

    A checkpoint beforehand makes the -wal short (sqlite.org/wal.html).

    Settings:
        database: the file. checkpoint: passive, full, restart or truncate; none by default.
        user: who runs the shell, by default root.
    """

    SETTINGS = frozenset({"database", "checkpoint", "user"})
    _MODES = frozenset({"passive", "full", "restart", "truncate"})

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Make sure that the settings make sense."""
        mode = self._shift.setting("checkpoint")
        if mode and (mode not in self._MODES or not self._shift.setting("database")):
            raise UsageError(
                f"hook {self._shift.hook.name}: a checkpoint needs `database`, and is one of "
                f"{', '.join(sorted(self._MODES))}"
            )
        return {}

    def quiesce(self, _before: Mapping[str, str]) -> None:
        """Move the write-ahead log into the database, if that is wished."""
        shift = self._shift
        mode = shift.setting("checkpoint")
        if not mode:
            return
        # A path as mode=rw: a missing database must not be made.
        path = "file:" + urllib.parse.quote(shift.setting("database")) + "?mode=rw"
        waiting = f".timeout {int(shift.left * 1000)}"
        program = [*_as_user(shift.setting("user")), "sqlite3", "-batch", "-bail", "-cmd", waiting]
        output = shift.run(*program, path, f"PRAGMA wal_checkpoint({mode})").strip()
        if output.startswith("1|"):
            raise PauseError(
                f"{shift.setting('database')} was too busy for a checkpoint: {output}"
            )

    def resume(self, _before: Mapping[str, str]) -> None:
        """Nothing was stopped."""


class Redis:
    """Redis or Valkey: no rewrite of the append-only file during the pause.

    Its files are consistent at any time but then (Redis documentation, Persistence: Backing up).

    Settings:
        socket, or host and port. login: user name. password_file: a file with the password.
        client: redis-cli by default.
    """

    SETTINGS = frozenset({"socket", "host", "port", "login", "password_file", "client"})
    _PERCENTAGE = "auto-aof-rewrite-percentage"

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Note whether there is an append-only file, and when it would be rewritten."""
        if self._persistence().get("aof_enabled") != "1":
            return {}
        _, _, value = self._ask(f"CONFIG GET {self._PERCENTAGE}").partition("\n")
        if not value.isdigit():
            raise PauseError(f"Redis does not report its {self._PERCENTAGE}: {value!r}")
        return {"percentage": value}

    def quiesce(self, before: Mapping[str, str]) -> None:
        """Start no rewrite from now on, and wait for one that is running."""
        if "percentage" not in before:
            return
        self._set("0")
        _wait_until(self._is_calm, self._shift, "Redis is still rewriting its append-only file")

    def resume(self, before: Mapping[str, str]) -> None:
        """Allow rewrites as before."""
        if "percentage" in before:
            self._set(before["percentage"])

    def _is_calm(self) -> bool:
        now = self._persistence()
        flags = ("aof_rewrite_in_progress", "aof_rewrite_scheduled")
        return all(now.get(flag) == "0" for flag in flags)

    def _persistence(self) -> dict[str, str]:
        lines = self._ask("INFO persistence").splitlines()
        pairs = (line.strip().partition(":") for line in lines)
        return {name: value for name, colon, value in pairs if colon}

    def _set(self, value: str) -> None:
        output = self._ask(f"CONFIG SET {self._PERCENTAGE} {value}")
        if output != "OK":
            raise PauseError(f"Redis refused to set {self._PERCENTAGE} to {value}: {output}")

    def _ask(self, line: str) -> str:
        """Send one command, by standard input, since others can read a program's arguments."""
        shift = self._shift
        words = [shift.setting("client", "redis-cli")]
        if shift.setting("socket"):
            words += ["-s", shift.setting("socket")]
        else:
            words += ["-h", shift.setting("host", "127.0.0.1")]
            words += ["-p", shift.setting("port", "6379")]
        login = self._login()
        output = shift.run(*words, stdin=login + line + "\n").replace("\r", "").strip()
        if not login:
            return output
        welcome, _, rest = output.partition("\n")
        if welcome != "OK":
            raise PauseError(f"Redis refused the login: {welcome}")
        return rest.strip()

    def _login(self) -> str:
        file = self._shift.setting("password_file")
        if not file:
            return ""
        try:
            password = Path(file).read_text(encoding="utf-8").strip()
        except (OSError, ValueError) as error:
            raise PauseError(f"cannot read Redis's password from {file}: {error}") from error
        quoted = "".join(f"\\x{byte:02x}" for byte in password.encode())
        return f'AUTH {self._shift.setting("login", "default")} "{quoted}"\n'


class Mosquitto:
    """Mosquitto: it writes its state on SIGUSR1, which otherwise is in memory only.

    See mosquitto(8), SIGUSR1, and mosquitto.conf(5), persistence.

    Settings:
        database: its file, by default /var/lib/mosquitto/mosquitto.db. pid_file, or unit:
        how to find the process; by default the unit mosquitto.service.
    """

    SETTINGS = frozenset({"database", "pid_file", "unit"})

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift
        self._last = ""

    def inspect(self) -> ServiceState:
        """Find the process, and record the state of its file."""
        shift = self._shift
        if shift.setting("pid_file"):
            pid = shift.run("cat", "--", shift.setting("pid_file")).strip()
        else:
            unit = shift.setting("unit", "mosquitto.service")
            output = shift.run("systemctl", "show", "--property=MainPID", "--", unit)
            pid = parse_properties(output).get("MainPID", "0").strip()
        # A stale pid file must not send a signal to a stranger.
        if not pid.isdigit() or int(pid) < 2 or not self._is_mosquitto(pid):
            raise PauseError(f"Mosquitto is not running as process {pid or '?'}")
        find_process = pid
        return {"pid": find_process, "stamp": self._stamp()}

    def quiesce(self, before: Mapping[str, str]) -> None:
        """Request that the state is written, and wait until it is."""
        self._last = ""
        self._shift.run("kill", "-USR1", before["pid"])
        _wait_until(
            lambda: self._is_written(before["stamp"]),
            self._shift,
            f"Mosquitto wrote no {self._database}; is `persistence true` set?",
        )

    def resume(self, _before: Mapping[str, str]) -> None:
        """Nothing was stopped."""

    @property
    def _database(self) -> str:
        return self._shift.setting("database", "/var/lib/mosquitto/mosquitto.db")

    def _is_mosquitto(self, pid: str) -> bool:
        name = self._shift.run("ps", "-o", "comm=", "-p", pid, accepted=(0, 1))
        return name.strip() == "mosquitto"

    def _stamp(self) -> str:
        """Return inode, size and time of the file; empty when there is none."""
        words = ("stat", "--format=%i %.9Y %.9Z %s", "--", self._database)
        return self._shift.run(*words, accepted=(0, 1)).strip()

    def _is_written(self, before: str) -> bool:
        """Whether the file is a new one, and was the same at the last two polls."""
        now, last = self._stamp(), self._last
        self._last = now
        return now not in {"", before} and now == last


def _wait_until(happened: Callable[[], bool], shift: HookSession, complaint: str) -> None:
    while not happened():
        if shift.is_over:
            raise PauseError(complaint)
        shift.clock.sleep(POLL)


RECIPES: Mapping[str, tuple[Callable[[HookSession], ServiceControl], frozenset[str]]] = {
    "postgresql": (PostgreSql, PostgreSql.SETTINGS),
    "mariadb": (MariaDb, MariaDb.SETTINGS),
    "sqlite": (Sqlite, Sqlite.SETTINGS),
    "redis": (Redis, Redis.SETTINGS),
    "mosquitto": (Mosquitto, Mosquitto.SETTINGS),
}
