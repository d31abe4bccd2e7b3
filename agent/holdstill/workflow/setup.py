"""Make a board ready to be captured, and undo that again. Captures are never touched.

Nothing is written before the answers have been checked and the keeper's host key is confirmed.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import PreflightError, SecurityError, UsageError
from holdstill.keeper import enrolment
from holdstill.keeper import store as stores
from holdstill.model import names
from holdstill.model import settings as model_settings
from holdstill.model.store_address import FolderAddress, HostAddress
from holdstill.records import signature
from holdstill.system import files
from holdstill.system.process import Command
from holdstill.transport import host_keys as pins
from holdstill.transport import password_login

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.model.settings import BoardSettings
    from holdstill.model.store_address import StoreAddress
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.transport.host_keys import HostKey
    from holdstill.transport.password_login import OneTimeLogin

SETTINGS = "/etc/holdstill/board.yaml"
SPOOL = "/run/holdstill"
"""The spool by default, a directory of ours: another one may be somebody else's, too."""
UNITS = "/etc/systemd/system"
TMPFILES = "/etc/tmpfiles.d"
SYSTEMD_RUNS = Path("/run/systemd/system")
"""Is there when systemd is the init of this machine (sd_booted(3))."""
_PROGRAM = re.compile(r"^(Exec\w+=[-@:+!|]*)/\S*/holdstill(?=\s|$)", re.MULTILINE)
_MEMORY = ("last.json", "index.sqlite", "index.sqlite-*", "baseline-*", "audit.json", "card.json",
           "diary.json", ".*.draft")  # fmt: skip
_IN_RAM = ("lock", "nightly.json", "nightly.lock", ".*.draft")


@dataclass(frozen=True)
class Answers:
    """What a person is asked, and what has a default.

    Attributes:
        time: local time of the nightly run, HH:MM.
        disk, root: as in the settings; "" for their defaults.
    """

    keeper: str
    board: str
    time: str
    disk: str = ""
    root: str = ""

    def text(self) -> str:
        """Write the settings file."""
        lines = [
            "# Written by `holdstill setup`. configs/board.yaml explains every key there is.",
            f"board: {json.dumps(self.board)}",
            f"keeper: {json.dumps(self.keeper)}",
        ]
        lines += [f"disk: {json.dumps(self.disk)}"] if self.disk else []
        lines += [f"root: {json.dumps(self.root)}"] if self.root else []
        lines += ["nightly:", f"  time: {json.dumps(self.time)}"]
        return "\n".join(lines) + "\n"

    def settings(self) -> BoardSettings:
        """Return the same, checked.

        Raises:
            DocumentError: with every answer that makes no sense.
        """
        return model_settings.decode_board_settings(self.text().encode(), "these answers")


@dataclass(frozen=True)
class Machine:
    """Where a board's files are: its own root, or an image that is mounted below a directory."""

    top: Path
    settings: BoardSettings

    def place(self, path: str | Path) -> Path:
        """Return where a path of the board is here."""
        return self.top / str(path).lstrip("/")

    @property
    def settings_path(self) -> Path:
        """The settings file."""
        return self.place(SETTINGS)

    @property
    def key(self) -> Path:
        """The board's private key."""
        return self.place(self.settings.key)

    @property
    def host_keys(self) -> Path:
        """The pinned host keys."""
        return self.place(self.settings.host_keys)

    @property
    def is_this_one(self) -> bool:
        """Whether it is the machine that we run on."""
        return self.top == Path("/")

    @property
    def from_here(self) -> BoardSettings:
        """The settings with the places of keys as they are seen from here."""
        return msgspec.structs.replace(self.settings, key=self.key, host_keys=self.host_keys)


# The keeper ------------------------------------------------------------------------------------


def check_new(machine: Machine) -> None:
    """Refuse to overwrite settings.

    Raises:
        PreflightError: there are some.
    """
    if machine.settings_path.exists():
        raise PreflightError(
            f"{machine.settings_path} exists: this board is set up already",
            hint="give --replace to write it anew; keys that are there stay as they are",
        )


def ask_host_key(address: StoreAddress) -> HostKey | None:
    """Return the host key that a keeper shows; None for a store in a directory.

    Raises:
        LinkError: nobody answers.
        UsageError: there is no store in the directory.
    """
    if isinstance(address, HostAddress):
        return pins.scan(address)
    if isinstance(address, FolderAddress):
        stores.open_store(address.path)
    return None


def is_pinned(machine: Machine, pin: HostKey) -> bool:
    """Whether this very key is pinned already."""
    return pin in pins.read(machine.host_keys)


def check_fingerprint(pin: HostKey, given: str) -> None:
    """Insist that a host key is the one that somebody read at the keeper.

    Raises:
        SecurityError: it is another one.
    """
    if given.strip() != pin.fingerprint:
        raise SecurityError(
            f"{pin.host} shows the host key {pin.fingerprint}, not {given.strip()}",
            hint=f"nothing was written. Compare with what `{at_keeper(pin)}` prints there; "
            "if they differ, somebody is in the middle, or it is another host",
        )


def at_keeper(pin: HostKey) -> str:
    """Return the command that prints the fingerprint at the keeper itself."""
    kind = {"ssh-ed25519": "ed25519", "ssh-rsa": "rsa"}.get(pin.kind, "ecdsa")
    return f"ssh-keygen -lf /etc/ssh/ssh_host_{kind}_key.pub"


# Writing ---------------------------------------------------------------------------------------


def write(machine: Machine, answers: Answers, pin: HostKey | None, runner: Runner) -> str:
    """Write pin, key and settings; return the public key's line."""
    machine.settings_path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    for path in (machine.key.parent, machine.host_keys.parent):
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    if pin is not None:
        pins.write(machine.host_keys, pin)
    public = _key(machine, runner)
    files.publish(machine.settings_path, answers.text().encode(), mode=0o600)
    return public


def _key(machine: Machine, runner: Runner) -> str:
    """Make the board's key unless it has one; return the public line with the board's name."""
    public = machine.key.with_name(machine.key.name + ".pub")
    if not machine.key.exists():
        words = ("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", machine.settings.board, "-f")
        runner.run(Command.of(*words, machine.key))
    elif not public.exists():
        line = runner.run(Command.of("ssh-keygen", "-y", "-f", machine.key))
        files.publish(public, line, mode=0o644)
    key = signature.check_public_key(public.read_text(encoding="ascii"))
    return f"{key} {machine.settings.board}"


def enrol_here(machine: Machine, public: str, clock: Clock) -> None:
    """Enrol the board in a store that is a directory of this machine."""
    address = machine.settings.keeper
    assert isinstance(address, FolderAddress)  # noqa: S101  the caller has looked
    board = names.check_board(machine.settings.board)
    key = signature.check_public_key(public)
    enrolment.enrol(stores.open_store(address.path), board, key, clock=clock, limits=None)


def check_store(store: str) -> None:
    """Check the store's path at the keeper: it goes into a line for a shell.

    Raises:
        UsageError: it is more than a plain path.
    """
    if not re.fullmatch(r"/[A-Za-z0-9._/-]+", store):
        raise UsageError(f"{store!r} is not a plain absolute path", hint="such as /srv/holdstill")


def line_for_keeper(machine: Machine, public: str, store: str) -> str:
    """Return the one line that enrols the board, to be pasted into a shell at the keeper."""
    return f"echo '{public}' | {_enrol(machine, store)}"


def enrol_there(
    machine: Machine, public: str, store: str, *, pin: HostKey, login: OneTimeLogin
) -> str:
    """Have the keeper enrol the board, by a login that is given once; return what it said.

    Raises:
        SecurityError: the keeper shows another host key than the pinned one.
        LinkError: it does not let us in, or does not enrol.
    """
    address = machine.settings.keeper
    assert isinstance(address, HostAddress)  # noqa: S101  there is a pin
    return password_login.run(
        address, pin, login, command=_enrol(machine, store), stdin=f"{public}\n".encode()
    )


def _enrol(machine: Machine, store: str) -> str:
    """Return the command that, at the keeper, enrols the board whose key it reads."""
    check_store(store)
    return f"holdstill keeper enrol {store} {machine.settings.board} --key - --let-in"


# Units -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Installed:
    """What became of the units; notes say what is left to a person."""

    units: tuple[str, ...] = ()
    enabled: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def find_units(folder: Path) -> tuple[Path, ...]:
    """Return the units that belong on a board: all but the keeper's."""
    if not folder.is_dir():
        return ()
    found = (path for path in sorted(folder.iterdir()) if path.suffix in {".service", ".timer"})
    return tuple(path for path in found if "keeper" not in path.name)


def install_units(machine: Machine, folder: Path, program: str, runner: Runner) -> Installed:
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
    _install_tmpfiles(machine, folder, runner)
    names_of = tuple(unit.name for unit in units)
    wanted = tuple(unit.name for unit in units if _is_enabled_by_hand(unit))
    return _enabled(machine, names_of, wanted, runner)


def _tmpfiles(folder: Path) -> list[Path]:
    """Return what makes the board's directories in memory at every boot (tmpfiles.d(5))."""
    return sorted((folder / "tmpfiles.d").glob("*board*.conf"))


def _install_tmpfiles(machine: Machine, folder: Path, runner: Runner) -> None:
    for path in _tmpfiles(folder):
        target = machine.place(TMPFILES) / path.name
        target.parent.mkdir(parents=True, exist_ok=True)
        files.publish(target, path.read_bytes(), mode=0o644)
        if machine.is_this_one:
            runner.run(Command.of("systemd-tmpfiles", "--create", target))


def with_program(text: str, program: str) -> str:
    """Let a unit start the holdstill that is installed here, wherever that is."""
    return _PROGRAM.sub(lambda match: match[1] + program, text)


def _is_enabled_by_hand(unit: Path) -> bool:
    return "[Install]" in unit.read_text(encoding="utf-8")


def _enabled(
    machine: Machine, units: tuple[str, ...], wanted: tuple[str, ...], runner: Runner
) -> Installed:
    if machine.is_this_one:
        runner.run(Command.of("systemctl", "daemon-reload"))
        runner.run(Command.of("systemctl", "enable", "--now", *wanted))
        return Installed(units, wanted)
    if shutil.which("systemctl") is None:
        note = f"no systemctl here: enable {', '.join(wanted)} when that system runs"
        return Installed(units, (), (note,))
    runner.run(Command.of("systemctl", f"--root={machine.top}", "enable", *wanted))
    return Installed(units, wanted)


def _by_hand(machine: Machine) -> str:
    hour, minute = machine.settings.nightly.time.split(":")
    return (
        "let your service manager run `holdstill nightly`, or cron `holdstill capture` at "
        f"{hour}:{minute}"
    )


# Undoing -----------------------------------------------------------------------------------------


def remove(machine: Machine, folder: Path, runner: Runner) -> tuple[str, ...]:
    """Take everything away that set-up made on the board; return what was removed.

    Captures, and the board's enrolment, are the keeper's: they stay.
    """
    gone = [*_remove_units(machine, folder, runner)]
    public = machine.key.with_name(machine.key.name + ".pub")
    for path in (machine.key, public, machine.host_keys, machine.settings_path):
        gone += _unlinked(path)
    state, spool = machine.place(machine.settings.state), machine.place(SPOOL)
    gone += _cleared(state, _MEMORY)
    if not any(spool.glob("*.debt")):  # those tell how to bring paused services back
        gone += _cleared(spool, _IN_RAM)
    for directory in (state, spool, machine.settings_path.parent):
        with suppress(OSError):  # something of somebody else's is in it
            directory.rmdir()
            gone.append(str(directory))
    return tuple(gone)


def _cleared(directory: Path, patterns: Iterable[str]) -> list[str]:
    paths = (path for pattern in patterns for path in sorted(directory.glob(pattern)))
    return [text for path in paths for text in _unlinked(path)]


def _remove_units(machine: Machine, folder: Path, runner: Runner) -> list[str]:
    target = machine.place(UNITS)
    units = [target / unit.name for unit in find_units(folder)]
    there = [unit for unit in units if unit.exists()]
    if not there:
        return []
    wanted = [unit.name for unit in there if _is_enabled_by_hand(unit)]
    if machine.is_this_one and SYSTEMD_RUNS.exists():
        runner.run(Command.of("systemctl", "disable", "--now", *wanted))
    elif shutil.which("systemctl") is not None:
        runner.run(Command.of("systemctl", f"--root={machine.top}", "disable", *wanted))
    there += [machine.place(TMPFILES) / path.name for path in _tmpfiles(folder)]
    gone = [text for path in there for text in _unlinked(path)]
    if machine.is_this_one and SYSTEMD_RUNS.exists():
        runner.run(Command.of("systemctl", "daemon-reload"))
    return gone


def _unlinked(path: Path) -> list[str]:
    if not os.path.lexists(path):
        return []
    path.unlink()
    return [str(path)]
