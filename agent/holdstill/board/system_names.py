"""What a board's fstab, crypttab and kernel command line name, and what that leads to now."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board.board_facts import Doubt
from holdstill.model import system_tables
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from holdstill.board.board_facts import Number
    from holdstill.model.paths import BoardPath
    from holdstill.model.system_tables import CrypttabEntry, FstabEntry


@dataclass(frozen=True)
class SystemNames:
    """What the system's own tables name.

    Attributes:
        is_here: whether it is the system that runs here; else names lead nowhere.
        root_argument: root= of the running kernel's command line; "" for none, or none of this
            board's.
        devices_of: the block devices that the names lead to now.
        doubts: what could not be read.
    """

    is_here: bool
    fstab: tuple[FstabEntry, ...]
    crypttab: tuple[CrypttabEntry, ...]
    root_argument: str
    devices_of: Mapping[str, Number]
    doubts: tuple[Doubt, ...]

    @property
    def specs(self) -> tuple[str, ...]:
        """Every name of a device."""
        return (
            *(entry.spec for entry in self.fstab),
            *(s for entry in self.crypttab for s in (entry.spec, f"/dev/mapper/{entry.name}")),
            *([self.root_argument] if self.root_argument else []),
        )


def read(root: BoardPath) -> SystemNames:
    """Read the tables of the board whose root is mounted there."""
    top = Path(os.fsdecode(root.raw))
    is_here = root.raw == b"/"
    doubts: list[Doubt] = []
    fstab = tuple(system_tables.parse_fstab(_text(top / "etc/fstab", doubts)))
    crypttab = tuple(system_tables.parse_crypttab(_text(top / "etc/crypttab", doubts)))
    root_argument = _root_argument(_text(Path("/proc/cmdline"), doubts)) if is_here else ""
    found = SystemNames(is_here, fstab, crypttab, root_argument, {}, tuple(doubts))
    leads_to = _devices_of(found.specs) if is_here else {}
    return SystemNames(is_here, fstab, crypttab, root_argument, leads_to, tuple(doubts))


def _text(path: Path, doubts: list[Doubt]) -> str:
    """Return a file of the system; "" where there is none."""
    try:
        return files.read_regular(path).decode(errors="surrogateescape")
    except FileNotFoundError:
        return ""
    except OSError as error:
        why = f"it cannot be read ({error.strerror}): what it names may be missing"
        doubts.append(Doubt(str(path), why))
        return ""


def _root_argument(line: str) -> str:
    """Return the last root= of a kernel's command line, which counts; "" for none."""
    values = [word.partition("=")[2] for word in line.split() if word.startswith("root=")]
    return values[-1] if values else ""


def _devices_of(specs: Iterable[str]) -> dict[str, Number]:
    """Return the numbers of the block devices that names lead to now."""
    folders = {kind: folder for folder, kind in system_tables.BY.items()}
    found = {}
    for spec in specs:
        kind, equals, value = system_tables.normal_spec(spec).partition("=")
        if equals and kind in folders and "/" not in value:
            path = Path("/dev/disk") / folders[kind] / value
        else:
            path = Path(spec)
        if not path.is_relative_to("/dev"):
            continue
        number = block_number(path)
        if number is not None:
            found[spec] = number
    return found


def block_number(path: Path) -> Number | None:
    """Return the number of a block device; None for anything else."""
    try:
        about = path.stat()
    except OSError:
        return None
    is_block = stat.S_ISBLK(about.st_mode)
    return (os.major(about.st_rdev), os.minor(about.st_rdev)) if is_block else None
