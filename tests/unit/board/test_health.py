"""Recorded words of cards and firmware, and what we make of them.

Meanings of the eMMC values: JEDEC's register EXT_CSD, as makers of modules explain it (a secondary
source); where they are: linux/mmc/mmc.h. Throttling bits: Raspberry Pi documentation, vcgencmd.
Attributes: Linux, mmc-dev-attrs.rst.
"""

from pathlib import Path

import pytest

from holdstill.board import health_report
from holdstill.board.health_report import Urgency
from holdstill.board.layout import BoardPart
from holdstill.filesystems.ext4.ext4_superblock import ErrorLog, ErrorPlace
from holdstill.model.layout import Ext4

EXT4 = Ext4(uuid="u", block_size=4096, blocks=1, inode_size=256, inodes=1, features=())
PART = BoardPart(2, Path("/dev/mmcblk0p2"), 0, 1 << 30, EXT4, None, "/")
SD = {
    "type": "SD",
    "manfid": "0x000003",
    "oemid": "0x5344",
    "name": "SC32G",
    "date": "08/2019",
    "serial": "0x1a2b3c4d",
    "cid": "035344534333324780" + "1a2b3c4d01380b"[:14],
}


def told(
    texts: dict[str, str] | None = None, *, kernel: tuple[str, ...] = (), power: int = 0,
    errors: int = 0,
) -> health_report.Health:  # fmt: skip
    log = ErrorLog(errors, None, ErrorPlace(1_700_000_000, "ext4_find_entry", 1455, 2, 0))
    return health_report.assess(
        texts or {},
        file_systems=(health_report.errors_of(PART, log),),
        kernel_errors=kernel,
        power=power,
    )


def urgencies(found: health_report.Health) -> list[Urgency]:
    return [advice.urgency for advice in found.advice]


def test_a_good_sd_card_says_who_it_is_and_needs_nothing() -> None:
    found = told(SD)

    assert found.card.serial == "0x1a2b3c4d"
    assert found.card.date == "08/2019"
    assert found.wear is None
    assert found.advice == ()
    assert "SC32G" in dict(found.rows())["card"]


@pytest.mark.parametrize(
    ("life", "spare", "urgency"),
    [
        ("0x01 0x01", "0x01", []),
        ("0x09 0x02", "0x01", []),
        ("0x02 0x0a", "0x01", [Urgency.SOON]),
        ("0x01 0x01", "0x02", [Urgency.SOON]),
        ("0x0b 0x01", "0x01", [Urgency.NOW]),
        ("0x01 0x01", "0x03", [Urgency.NOW]),
    ],
)
def test_a_worn_emmc_is_to_be_replaced_in_time(
    life: str, spare: str, urgency: list[Urgency]
) -> None:
    assert urgencies(told({"life_time": life, "pre_eol_info": spare})) == urgency


def test_used_life_is_told_in_tenths() -> None:
    found = told({"life_time": "0x01 0x0a", "pre_eol_info": "0x01"})

    words = dict(found.rows())["wear"]
    assert words == "0-10 % of its life used; 90-100 % of its life used; spare blocks normal"


@pytest.mark.parametrize("nothing", ["", "0x00 0x00", "not defined"])
def test_a_card_that_does_not_count_has_no_wear(nothing: str) -> None:
    assert told({"life_time": nothing}).wear is None


def test_errors_of_the_kernel_call_for_another_card() -> None:
    found = told(kernel=("I/O error, dev mmcblk0, sector 81920 op 0x0:(READ)",))

    assert urgencies(found) == [Urgency.NOW]
    assert "replace this card" in found.warnings[0]
    assert "sector 81920" in found.warnings[0]


def test_errors_that_a_file_system_noted_are_told_with_their_time() -> None:
    found = told(errors=3)

    assert "noted 3 errors" in found.warnings[0]
    assert "2023-11-14 22:13 UTC in ext4_find_entry:1455" in found.warnings[0]


def test_low_voltage_now_is_urgent_and_earlier_worth_a_note() -> None:
    assert urgencies(told(power=0x50005)) == [Urgency.NOW]
    assert urgencies(told(power=0x50000)) == [Urgency.NOTE]
    assert told(power=0x50000).warnings == []
    assert health_report.power_words(0x50005) == (
        "voltage too low now", "throttled now", "voltage too low since boot",
        "throttled since boot",
    )  # fmt: skip
