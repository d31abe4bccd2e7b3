"""The boards' keys, as a reader saw them first: a keeper, from whom they come, may lie later."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from holdstill.errors import SecurityError
from holdstill.records import signature
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


@dataclass(frozen=True)
class BoardKeys:
    """A file with lines of board, type and base64."""

    path: Path

    @classmethod
    def beside(cls, host_keys: Path) -> Self:
        """Return the file that belongs to a file of pinned host keys."""
        return cls(host_keys.with_name(f"{host_keys.name}.boards"))

    def check(self, board: str, keys: Sequence[str]) -> None:
        """Check a board's keys against those that are remembered; remember them the first time.

        Raises:
            SecurityError: the keeper names one that it did not name before, or what is no key.
        """
        keys = [signature.check_public_key(key) for key in keys]
        lines = files.read_if_there(self.path).decode("ascii", errors="replace").splitlines()
        known = {line.partition(" ")[2] for line in lines if line.partition(" ")[0] == board}
        if not known:
            fresh = [*lines, *(f"{board} {key}" for key in keys)]
            files.publish(self.path, "".join(f"{line}\n" for line in fresh).encode("ascii"))
            return
        if strange := [key for key in keys if key not in known]:
            raise SecurityError(
                f"the keeper now has another key of board {board} than when it was read first: "
                f"{signature.fingerprint(strange[0])}",
                hint="if the board was given a new key (`holdstill keeper enrol --replace-key`), "
                f"take its lines out of {self.path} and say this again; if not, its captures may "
                "be somebody else's",
            )
