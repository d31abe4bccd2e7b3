"""Where contents of an encrypted store may end unencrypted: swap, and folders for temporary files.

Whoever steals a keeper reads those as well. Asked of the kernel alone (/sys, /proc/swaps), so no
root is needed.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import disks_below, layout
from holdstill.workflow.store_place import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.board.mounts import Mount

SWAPS = Path("/proc/swaps")
_TEMPORARY = (Path("/var/tmp"), Path("/tmp"))  # noqa: S108  they are looked at only
_IN_MEMORY = re.compile(r"zram\d+")
_OCTAL = re.compile(r"\\([0-7]{3})")


def remarks(
    store: Path,
    all_mounts: tuple[Mount, ...],
    *,
    sys: Path = layout.SYS,
    swaps: Path = SWAPS,
    environment: Mapping[str, str] = os.environ,
) -> tuple[str, ...]:
    """Return what is not encrypted, although the store is, and what to do; nothing if neither is.

    Args:
        store: its directory, which need not be there.
        all_mounts: of this machine.
        sys: where sysfs is.
        swaps: what the kernel says of its swap areas (proc(5)).
        environment: of this process; TMPDIR is of interest.
    """

    def is_encrypted(path: Path) -> bool:
        with suppress(OSError):  # such as a swap file that was deleted
            return disks_below.is_encrypted(path, all_mounts, sys=sys)
        return False

    if not is_encrypted(nearest(store)):
        return ()
    open_swaps = [one for one in _swaps(swaps) if not _is_memory(one) and not is_encrypted(one)]
    stated = environment.get("TMPDIR")
    folders = (*_TEMPORARY, *([Path(stated)] if stated else ()))
    open_folders = [
        one
        for one in dict.fromkeys(folders)
        if one.is_dir()
        and disks_below.disks_below(one, all_mounts, sys=sys)  # else it is memory, and so swap
        and not is_encrypted(one)
    ]
    return (
        *(_of_swap(one) for one in open_swaps),
        *(_of_folder(one) for one in open_folders),
    )


def _of_swap(area: Path) -> str:
    return (
        f"the store is encrypted, and swap on {area} is not: what is in memory here, contents and "
        f"passphrases too, may be written there. `sudo swapoff {area}` and take it out of fstab; "
        "or give it a new key at each start (`swap` in crypttab(5))"
    )


def _of_folder(folder: Path) -> str:
    return (
        f"the store is encrypted, and {folder} is not: captures, rebuilds and rehearsals put "
        "names and contents there for a while, and what is deleted can be read from the disk. "
        "Mount something encrypted there, or a tmpfs with enough room; or set TMPDIR to a "
        "folder of the encrypted disk, and give it to --scratch and --cache"
    )


def _swaps(source: Path) -> Iterator[Path]:
    """Yield partitions and files that are swapped to."""
    try:
        lines = source.read_text(encoding="utf-8", errors="surrogateescape").splitlines()[1:]
    except OSError:  # a kernel without swap
        return
    for line in filter(None, lines):
        name = _OCTAL.sub(lambda found: chr(int(found[1], 8)), line.split()[0])
        yield Path(name)


def _is_memory(area: Path) -> bool:
    return _IN_MEMORY.fullmatch(area.name) is not None
