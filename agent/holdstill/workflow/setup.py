"""Make a board ready to be captured, and undo that again. Captures are never touched.

Nothing is written before the answers have been checked and the keeper's host key is confirmed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import block_devices, mounts
from holdstill.errors import DocumentError
from holdstill.model import settings as model_settings
from holdstill.records import signature
from holdstill.system import files
from holdstill.system.process import Command
from holdstill.transport import host_keys as keys

if TYPE_CHECKING:
    from holdstill.model.settings import BoardSettings
    from holdstill.system.process import Runner
    from holdstill.transport.host_keys import HostKey


def has_containers() -> bool:
    """Whether encrypted containers are open on this machine."""
    return any(
        device.mapping == "LUKS"
        for device in block_devices.read_block_devices(mounts.read_mounts())
    )


SETTINGS = "/etc/holdstill/board.yaml"


@dataclass(frozen=True)
class Answers:
    """The answers of a person, or their defaults.

    Attributes:
        time: local time of the nightly run, HH:MM.
        disks, root: as in the settings; nothing for their defaults.
        store_on_card: whether the store may be on the captured card itself.
        store_in_clear: whether what is encrypted on the card may be stored unencrypted.
    """

    keeper: str
    board: str
    time: str
    disks: tuple[str, ...] = ()
    root: str = ""
    store_on_card: bool = False
    store_in_clear: bool = False

    def text(self) -> str:
        """Write the settings file."""
        lines = [
            "# Written by `holdstill setup`. configs/board.yaml explains every key there is.",
            f"board: {json.dumps(self.board)}",
            f"keeper: {json.dumps(self.keeper)}",
        ]
        lines += [f"disks: {json.dumps(self.disks)}"] if self.disks else []
        lines += [f"root: {json.dumps(self.root)}"] if self.root else []
        lines += ["store_on_card: accept"] if self.store_on_card else []
        lines += ["encrypted: store-in-clear"] if self.store_in_clear else []
        lines += ["nightly:", f"  time: {json.dumps(self.time)}"]
        return "\n".join(lines) + "\n"

    def settings(self) -> BoardSettings:
        """Return the same, checked.

        Raises:
            DocumentError: with every answer that makes no sense.
        """
        name = "this set of answers"
        try:
            return model_settings.decode_board_settings(self.text().encode(), name)
        except DocumentError as error:
            hint = "answer otherwise, or correct the options; `holdstill setup --help` has some"
            raise DocumentError(name, error.problems, hint=hint) from error


@dataclass(frozen=True)
class BoardFiles:
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


def write(machine: BoardFiles, answers: Answers, pin: HostKey | None, runner: Runner) -> str:
    """Write pin, key and settings; return the public key's line."""
    machine.settings_path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    for path in (machine.key.parent, machine.host_keys.parent):
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    if pin is not None:
        keys.write(machine.host_keys, pin)
    public = _key(machine, runner)
    files.publish(machine.settings_path, answers.text().encode(), mode=0o600)
    return public


def _key(machine: BoardFiles, runner: Runner) -> str:
    """Make the board's key unless it has one; return the public line with the board's name."""
    public = machine.key.with_name(machine.key.name + ".pub")
    if not machine.key.exists():
        words = ("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", machine.settings.board, "-f")
        runner.run(Command.of(*words, machine.key))
    elif not public.exists():
        line = runner.run(Command.of("ssh-keygen", "-y", "-f", machine.key))
        files.publish(public, line, mode=0o644)
    key = signature.check_public_key(public.read_text(encoding="utf-8"))
    return f"{key} {machine.settings.board}"
