"""Where a person's reading key is: root's in /etc/holdstill, others' at home."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from holdstill.model import store_address

_ROOTS = Path("/etc/holdstill")


@dataclass(frozen=True)
class ReaderFiles:
    """The files of `holdstill connect`."""

    folder: Path

    @property
    def key(self) -> Path:
        """The private key."""
        return self.folder / "reader_ed25519"

    @property
    def host_keys(self) -> Path:
        """The keeper's pinned host key."""
        return self.folder / "reader_host_keys"

    @property
    def address(self) -> Path:
        """The file with the keeper's address."""
        return self.folder / "reader_keeper"

    def make_folder(self) -> None:
        """Make the folder; root's is entered by everybody, as the other settings there are."""
        mode = 0o755 if self.folder == _ROOTS else 0o700
        self.folder.mkdir(mode=mode, parents=True, exist_ok=True)

    @property
    def is_there(self) -> bool:
        """Whether `holdstill connect` was done here."""
        with suppress(PermissionError):  # in a folder of somebody else's: it is not this user's
            return self.address.exists()
        return False

    def keeper(self) -> str:
        """Return the keeper's address.

        Raises:
            UsageError: what is in the file is none.
        """
        return str(store_address.parse(self.address.read_text(encoding="utf-8").strip()))


def of_this_user() -> ReaderFiles:
    """Return the files of whoever runs this: a card is written by root."""
    if os.geteuid() == 0:
        return ReaderFiles(_ROOTS)
    base = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    return ReaderFiles(Path(base) / "holdstill")
