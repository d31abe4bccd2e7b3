"""An eMMC's own areas beside its sectors, as Linux shows them: block devices named after the disk.

Boards boot from boot0 or boot1. They are read-only until 0 is written to `force_ro`, and one whose
`ro_lock_until_next_power_on` is not 0 is locked by the eMMC itself (Linux drivers/mmc/core/
block.c; Documentation/driver-api/mmc/mmc-dev-parts.rst). There are none where the host cannot
reach them, or the medium is no eMMC.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from pathlib import Path

from holdstill.model import emmc_boot
from holdstill.model.attachment_names import EMMC_AREAS
from holdstill.model.sizes import SECTOR
from holdstill.system import files

SYS, DEV = Path("/sys"), Path("/dev")


@dataclass(frozen=True)
class EmmcArea:
    """One area of an eMMC.

    Attributes:
        area: boot0, boot1, gp0, ...
        device: its node.
        number: major and minor of it.
        size: bytes.
        home: the kernel's folder about it.
    """

    area: str
    device: Path
    number: tuple[int, int]
    size: int
    home: Path

    @property
    def is_locked(self) -> bool:
        """Whether the eMMC lets nobody write to it, be it until the next power-on or for ever."""
        return _first_line(self.home / "ro_lock_until_next_power_on") not in {"", "0"}

    @property
    def is_guarded_for_good(self) -> bool:
        """Whether the kernel keeps it read-only, and nobody here may change that."""
        guard = self.home / "force_ro"
        return _first_line(guard) not in {"", "0"} and not os.access(guard, os.W_OK)

    @property
    def is_in_use(self) -> bool:
        """Whether it, or a partition on it, is mounted, swapped to, or part of something else."""
        try:
            with files.opened(self.device, os.O_RDONLY | os.O_EXCL):
                return False
        except OSError as error:
            return error.errno == errno.EBUSY


def find(disk: Path, *, sys: Path = SYS, dev: Path = DEV) -> tuple[EmmcArea, ...]:
    """Return the areas of a disk; none for a card, another kind of disk, or an image.

    Args:
        disk: its device node.
        sys: where the kernel exports its state.
        dev: where the devices' nodes are.
    """
    if _is_elsewhere(disk, sys):
        return ()
    found = (_area(disk.name, area, sys, dev) for area in EMMC_AREAS)
    return tuple(area for area in found if area is not None)


def _is_elsewhere(disk: Path, sys: Path) -> bool:
    """Whether a node leads to another disk than the one that the kernel gave its name."""
    try:
        number = disk.stat().st_rdev
    except OSError:
        return False
    return _first_line(sys / "class/block" / disk.name / "dev") != (
        f"{os.major(number)}:{os.minor(number)}"
    )


def has_protected_memory(disk: Path, *, dev: Path = DEV) -> bool:
    """Whether there is an area for replay protected memory, which nobody can copy."""
    return (dev / f"{disk.name}rpmb").exists()


def boot_config(disk: Path, *, sys: Path = SYS) -> int | None:
    """Return the byte that says which area an eMMC boots from (see `model.emmc_boot`).

    Only debugfs shows it (Linux drivers/mmc/core/debugfs.c): None where that is not mounted, or
    the disk is no eMMC.
    """
    card = (sys / "class/block" / disk.name / "device").resolve().name
    host, colon, _ = card.partition(":")
    if not colon:
        return None
    shown = _first_line(sys / "kernel/debug" / host / card / "ext_csd")
    return emmc_boot.of_ext_csd(shown)


def _area(disk: str, area: str, sys: Path, dev: Path) -> EmmcArea | None:
    home = sys / "class/block" / f"{disk}{area}"
    major, colon, minor = _first_line(home / "dev").partition(":")
    if not colon:
        return None
    sectors = int(_first_line(home / "size") or 0)
    return EmmcArea(area, dev / f"{disk}{area}", (int(major), int(minor)), sectors * SECTOR, home)


def _first_line(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""
