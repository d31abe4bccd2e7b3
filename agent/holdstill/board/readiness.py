"""Whether this is a good moment for a capture: package manager, power, card errors."""

from __future__ import annotations

import fcntl
import os
import re
import struct
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import CommandError
from holdstill.system import files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from holdstill.system.process import Runner

PACKAGE_LOCKS = (
    Path("/var/lib/dpkg/lock-frontend"),
    Path("/var/lib/dpkg/lock"),
    Path("/var/lib/apt/lists/lock"),
    Path("/var/lib/rpm/.rpm.lock"),
    Path("/usr/lib/sysimage/rpm/.rpm.lock"),
)
KERNEL_LOG = Path("/dev/kmsg")
THROTTLED = Command.of("vcgencmd", "get_throttled", timeout=10.0)
UNDERVOLTAGE, UNDERVOLTAGE_BEFORE, THROTTLED_BEFORE = 1 << 0, 1 << 16, 1 << 18
"""Bits of its answer (Raspberry Pi documentation, vcgencmd, get_throttled)."""
_FLOCK = struct.Struct("@hhqqi4x")
"""struct flock of fcntl(2) with 64-bit offsets: type, whence, start, length, holder."""
_RECORD = 8192
"""Bytes of the longest record of /dev/kmsg (CONSOLE_EXT_LOG_MAX)."""
_DISKS = Path("/sys/block")
_CARD_TROUBLE = (
    # Old kernels: drivers/mmc/card/block.c up to 4.9.
    r"mmcblk\d+\w*: (?:error -\d+|timed out|.*status error)"
    # Linux 6.12: drivers/mmc/core/block.c, block/blk-mq.c (with blk-core.c's names), fs/buffer.c,
    # fs/ext4/super.c; of btrfs' words tests/root/test_kernel_log.py hears "error" on Linux 6.18,
    # "critical" is from memory of fs/btrfs/messages.c.
    r"|mmcblk\d+: recovery failed!"
    r"|(?:I/O|timeout|device offline|critical \w+) error, dev mmcblk\d+"
    r"|Buffer I/O error on dev(?:ice)? mmcblk\d+"
    r"|EXT4-fs error \(device mmcblk\d+(?:p\d+)?\)"
    r"|BTRFS (?:error|critical) \(device mmcblk\d+(?:p\d+)?\b"
)
_HOST_TROUBLE = (
    # Linux 6.12: drivers/mmc/core/{core,bus,mmc,sd,mmc_ops}.c. A host may have another thing than
    # a card in it, such as a radio.
    r"(mmc\d+): (?:Card stuck being busy!|cache flush error -?\d+|tried to HW reset card, got"
    r"|error -?\d+ whilst initialising (?:SD|MMC) card|card [0-9a-f]{4} removed)"
)
_FILE_SYSTEM_TROUBLE = r"(?:F2FS-fs|XFS|FAT-fs) \(mmcblk\d+(?:p\d+)?\): "
"""An error by its record's level only: fs/f2fs/super.c, fs/xfs/xfs_message.c, fs/fat/misc.c."""
_ERROR = 3
"""KERN_ERR, and below it what is worse (linux/kern_levels.h)."""


class BoardReadiness:
    """The functions below for this board."""

    def __init__(self, board: Runner) -> None:
        self._board = board

    def package_manager(self) -> str:
        """Return which package manager is running, "" if none."""
        return package_manager()

    def power(self) -> int:
        """Return the bits of the board's power supply."""
        return power(self._board)

    def card_errors(self, since: float) -> tuple[str, ...]:
        """Return the kernel's messages about the card since then, on the monotonic clock."""
        return card_errors(since)


def package_manager(locks: Sequence[Path] = PACKAGE_LOCKS) -> str:
    """Return which package manager is running, "" if none: it leaves systems half-configured."""
    for path in locks:
        holder = _holder(path)
        if holder:
            return f"a package manager is at work (process {holder} holds {path})"
    return ""


def _holder(path: Path) -> int:
    """Return the process that holds a lock of fcntl(2) on a file, 0 for none."""
    try:
        with files.opened(path, os.O_RDONLY | os.O_NOFOLLOW) as handle:
            asked = _FLOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)
            kind, _, _, _, pid = _FLOCK.unpack(fcntl.fcntl(handle, fcntl.F_GETLK, asked))
    except FileNotFoundError:
        return 0
    return 0 if kind == fcntl.F_UNLCK else int(pid)


def power(board: Runner) -> int:
    """Return the throttling bits of a Pi's firmware; 0 where there are none."""
    try:
        return parse_throttled(board.run(THROTTLED))
    except CommandError:
        return 0


def parse_throttled(answer: bytes) -> int:
    """Understand an answer such as `throttled=0x50000`; 0 for anything else."""
    found = re.fullmatch(rb"throttled=0x([0-9a-fA-F]{1,8})\s*", answer)
    return int(found[1], 16) if found else 0


def power_remarks(bits: int) -> tuple[str, ...]:
    """Describe what happened since boot that a good power supply would prevent."""
    words = {
        UNDERVOLTAGE_BEFORE: "the board's supply voltage has been too low since boot",
        THROTTLED_BEFORE: "the board has been throttled since boot",
    }
    return tuple(text for bit, text in words.items() if bits & bit)


def hosts_of_cards(disks: Path = _DISKS) -> dict[str, str]:
    """Return the host that each card is in, such as mmc0 for mmcblk0, by the card's address."""
    cards = [disk for disk in disks.glob("mmcblk*") if (disk / "device").exists()]
    return {card.name: (card / "device").resolve().name.partition(":")[0] for card in cards}


def card_errors(since: float, log: Path = KERNEL_LOG) -> tuple[str, ...]:
    """Return what the kernel complained about the card since then (seconds after boot)."""
    found = []
    # One record a read; EPIPE says that older ones were overwritten meanwhile (/dev/kmsg's ABI).
    with suppress(OSError), files.opened(log, os.O_RDONLY | os.O_NONBLOCK) as handle:
        while True:
            try:
                record = os.read(handle, _RECORD)
            except BrokenPipeError:
                continue
            if not record:
                break
            found.append(record)
    records = found
    return parse_kernel_log(records, since, frozenset(hosts_of_cards().values()))


def parse_kernel_log(
    records: Iterable[bytes], since: float, hosts: frozenset[str] = frozenset()
) -> tuple[str, ...]:
    """Return the messages about a failing card that are newer, each once.

    Args:
        records: of /dev/kmsg: priority, sequence number, microseconds after boot, flags; message
            (Linux Documentation/ABI/testing/dev-kmsg).
        since: seconds after boot.
        hosts: those that cards are in, such as mmc0.
    """
    found: dict[str, None] = {}
    for record in records:
        head, _, rest = record.partition(b";")
        fields = head.split(b",")
        if len(fields) < 3 or not fields[2].isdigit() or int(fields[2]) < since * 1e6:
            continue
        message = rest.split(b"\n")[0].decode(errors="backslashreplace")
        level = int(fields[0]) & 7 if fields[0].isdigit() else _ERROR
        if _is_trouble(message, level, hosts):
            found[message] = None
    return tuple(found)


def _is_trouble(message: str, level: int, hosts: frozenset[str]) -> bool:
    host = re.match(_HOST_TROUBLE, message)
    if host is not None:
        return host[1] in hosts
    if level <= _ERROR and re.match(_FILE_SYSTEM_TROUBLE, message):
        return True
    return re.search(_CARD_TROUBLE, message) is not None
