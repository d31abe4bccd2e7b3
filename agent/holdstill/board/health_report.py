"""What the signs of a card's health mean, and what to do. Pure."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.board import readiness
from holdstill.model.layout import Record
from holdstill.model.sizes import counted

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.board.layout import BoardPart
    from holdstill.filesystems.ext4.ext4_superblock import ErrorLog


SHOWN = 3
"""Kernel messages that are repeated; the rest is counted."""


CARD_FIELDS = ("type", "manfid", "oemid", "name", "date", "serial", "hwrev", "fwrev", "cid")
"""Linux Documentation/driver-api/mmc/mmc-dev-attrs.rst."""


_WEAR = re.compile(r"0x([0-9a-fA-F]{1,2})")


LIFE_EXCEEDED, LIFE_NEAR_END = 0x0B, 0x0A
"""EXT_CSD bytes 268 and 269 (linux/mmc/mmc.h): 1..10 are tenths of the life that is used.

The meaning is JEDEC's, as makers of modules explain it (a secondary source).
"""


PRE_EOL_WARNING, PRE_EOL_URGENT = 0x02, 0x03
"""EXT_CSD byte 267: 80 and 90 per cent of the spare blocks are used (sources as above)."""


class Urgency(StrEnum):
    """How soon something should be done."""

    NOW = "now"
    SOON = "soon"
    NOTE = "note"


class Advice(Record, frozen=True, kw_only=True):
    """One thing to do, and why."""

    urgency: Urgency
    text: str


class CardIdentity(Record, frozen=True, kw_only=True):
    """Which card it is, by its CID register; "" for what the kernel does not report."""

    type: str = ""
    manfid: str = ""
    oemid: str = ""
    name: str = ""
    date: str = ""
    serial: str = ""
    hwrev: str = ""
    fwrev: str = ""
    cid: str = ""


class Wear(Record, frozen=True, kw_only=True):
    """An eMMC's wear registers; 0 is "not reported".

    Attributes:
        life: used tenths of its life, for memory of type A and of type B.
        spare: 1 normal, 2 warning, 3 urgent.
    """

    life: tuple[int, ...]
    spare: int


class FileSystemErrors(Record, frozen=True, kw_only=True):
    """Errors that an ext4 has noted in its superblock.

    Attributes:
        first, last: when and where, for people; "" when not recorded.
    """

    part: int
    place: str
    count: int
    first: str
    last: str


class Health(Record, frozen=True, kw_only=True):
    """Everything that was reported.

    Attributes:
        wear: None for what has no counters, such as an SD card.
        kernel_errors: the kernel's complaints about this card since boot.
        power: a Raspberry Pi's throttling bits; 0 for none, and where it is not known.
    """

    card: CardIdentity
    wear: Wear | None
    file_systems: tuple[FileSystemErrors, ...]
    kernel_errors: tuple[str, ...]
    power: int
    advice: tuple[Advice, ...]

    @property
    def warnings(self) -> list[str]:
        """What a capture must not keep to itself: whatever should be done now."""
        return [advice.text for advice in self.advice if advice.urgency is Urgency.NOW]

    def rows(self) -> Iterator[tuple[str, str]]:
        """Yield subject and finding, for a table."""
        card = self.card
        words = " ".join(w for w in (card.type, card.name, card.date, card.serial) if w)
        maker = f" (maker {card.manfid}, oem {card.oemid})" if card.manfid else ""
        yield "card", f"{words}{maker}" if words else "no identification"
        yield (
            "wear",
            _wear_words(self.wear) if self.wear else "not reported (SD cards do not report it)",
        )
        for errors in self.file_systems:
            yield (
                f"ext4 on {errors.part}",
                f"{counted(errors.count, 'error')} noted; first {errors.first or '?'}, "
                f"last {errors.last or '?'}"
                if errors.count
                else "no errors noted",
            )
        yield (
            "kernel log",
            f"{counted(len(self.kernel_errors), 'complaint')} about the card since boot",
        )
        for text in self.kernel_errors[:SHOWN]:
            yield "", text
        yield "power", ", ".join(power_words(self.power)) or "no problem noted"


def assess(
    texts: Mapping[str, str],
    *,
    file_systems: tuple[FileSystemErrors, ...],
    kernel_errors: tuple[str, ...],
    power: int,
) -> Health:
    """Judge what was reported; texts are the card's attributes in sysfs, by name."""
    wear = parse_wear(texts.get("life_time", ""), texts.get("pre_eol_info", ""))
    advice = (
        *_kernel_advice(kernel_errors),
        *(_wear_advice(wear) if wear else ()),
        *(one for errors in file_systems for one in _ext4_advice(errors)),
        *_power_advice(power),
    )
    return Health(
        card=CardIdentity(**{name: texts.get(name, "") for name in CARD_FIELDS}),
        wear=wear,
        file_systems=file_systems,
        kernel_errors=kernel_errors,
        power=power,
        advice=advice,
    )


def parse_wear(life: str, spare: str) -> Wear | None:
    """Understand `life_time` (such as `0x01 0x02`) and `pre_eol_info` (such as `0x01`)."""
    lives = tuple(int(text, 16) for text in _WEAR.findall(life))
    found = _WEAR.fullmatch(spare)
    if not any(lives) and found is None:
        return None
    return Wear(life=lives, spare=int(found[1], 16) if found else 0)


def errors_of(part: BoardPart, log: ErrorLog) -> FileSystemErrors:
    """Describe a superblock's error log."""
    first, last = (
        f"{datetime.fromtimestamp(place.at, UTC):%Y-%m-%d %H:%M UTC} "
        f"in {place.function}:{place.line}"
        if place
        else ""
        for place in (log.first, log.last)
    )
    return FileSystemErrors(
        part=part.number, place=part.place, count=log.number, first=first, last=last
    )


def power_words(bits: int) -> tuple[str, ...]:
    """Name the bits (Raspberry Pi documentation, vcgencmd, get_throttled)."""
    names = ("voltage too low", "clock capped", "throttled", "close to too hot")
    now = [f"{name} now" for number, name in enumerate(names) if bits >> number & 1]
    since = [f"{name} since boot" for number, name in enumerate(names) if bits >> number + 16 & 1]
    return (*now, *since)


def _wear_words(wear: Wear) -> str:
    spare = {1: "spare blocks normal", PRE_EOL_WARNING: "80 % of the spare blocks used",
             PRE_EOL_URGENT: "90 % of the spare blocks used"}  # fmt: skip
    words = [_life_words(life) for life in wear.life if life]
    return "; ".join([*words, spare.get(wear.spare, "spare blocks not told")])


def _life_words(life: int) -> str:
    if life >= LIFE_EXCEEDED:
        return "more than its life used"
    return f"{(life - 1) * 10}-{life * 10} % of its life used"


def _kernel_advice(messages: tuple[str, ...]) -> Iterator[Advice]:
    if messages:
        yield Advice(
            urgency=Urgency.NOW,
            text=f"the kernel had {counted(len(messages), 'complaint')} about the card since "
            f"boot, such as {messages[-1]!r}: make sure that a good capture exists, then "
            "replace this card",
        )


def _wear_advice(wear: Wear) -> Iterator[Advice]:
    worst = max(wear.life, default=0)
    if worst >= LIFE_EXCEEDED or wear.spare >= PRE_EOL_URGENT:
        yield Advice(
            urgency=Urgency.NOW, text=f"the eMMC is worn out ({_wear_words(wear)}): replace it"
        )
    elif worst >= LIFE_NEAR_END or wear.spare == PRE_EOL_WARNING:
        yield Advice(
            urgency=Urgency.SOON,
            text=f"the eMMC nears its end ({_wear_words(wear)}): plan its replacement",
        )


def _ext4_advice(errors: FileSystemErrors) -> Iterator[Advice]:
    if errors.count:
        yield Advice(
            urgency=Urgency.NOW,
            text=f"the file system on partition {errors.part} has noted "
            f"{counted(errors.count, 'error')}, the last {errors.last or 'at an unknown time'}: "
            "run e2fsck on it while it is not mounted; if errors come back, replace this card",
        )


def _power_advice(bits: int) -> Iterator[Advice]:
    if bits & readiness.UNDERVOLTAGE:
        yield Advice(
            urgency=Urgency.NOW,
            text="the supply voltage is too low now, which can spoil what is being written: use a "
            "stronger supply or a shorter cable",
        )
    elif bits & readiness.UNDERVOLTAGE_BEFORE:
        yield Advice(
            urgency=Urgency.NOTE,
            text="the supply voltage was too low since boot: cards die of that; use a stronger "
            "supply or a shorter cable",
        )
