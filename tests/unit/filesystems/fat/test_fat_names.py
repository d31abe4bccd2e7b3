from __future__ import annotations

from array import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.filesystems.fat import fat_names, fat_slots
from holdstill.filesystems.fat.fat_populate import packed


# Microsoft, FAT: General Overview of On-Disk Format, "The Basis-Name Generation Algorithm".
@pytest.mark.parametrize(
    ("text", "short"),
    [
        ("KERNEL8.IMG", b"KERNEL8 IMG"),
        ("bootcode.bin", b"BOOTCODEBIN"),
        ("cmdline.txt", b"CMDLINE TXT"),
        ("overlays", b"OVERLAYS   "),
        ("The quick brown.fox", b"THEQUI~1FOX"),
        ("disable-bt.dtbo", b"DISABL~1DTB"),
        (".hidden", b"HIDDEN~1   "),
        ("two.dots.here", b"TWODOT~1HER"),
        ("a+b,c.txt", b"A_B_C~1 TXT"),
        ("näme.txt", b"N_ME~1  TXT"),
        ("nine-char", b"NINE-C~1   "),
        ("trailing.", b"TRAILI~1   "),
    ],
)
def test_a_name_has_a_short_one(text: str, short: bytes) -> None:
    assert fat_names.short_names([text]) == [short]


def test_similar_names_get_tails_that_differ_and_leave_real_names_alone() -> None:
    texts = ["LONGNA~2.TXT", *(f"long name {n}.txt" for n in range(12))]

    shorts = fat_names.short_names(texts)

    assert shorts[:4] == [b"LONGNA~2TXT", b"LONGNA~1TXT", b"LONGNA~3TXT", b"LONGNA~4TXT"]
    assert shorts[-1] == b"LONGN~13TXT"
    assert len(set(shorts)) == 13


def test_a_short_name_in_another_case_is_not_taken_twice() -> None:
    shorts = fat_names.short_names(["readme.txt", "readme~1.txt", "readme and more.txt"])

    assert shorts == [b"README  TXT", b"README~1TXT", b"README~2TXT"]


def test_only_a_name_in_upper_case_needs_no_long_one() -> None:
    assert fat_names.long_slots("KERNEL8.IMG", b"KERNEL8 IMG") == b""
    assert len(fat_names.long_slots("kernel8.img", b"KERNEL8 IMG")) == 32


# The document's own example: "The quick brown.fox" in two slots.
def test_a_long_name_lies_in_slots_last_part_first() -> None:
    slots = fat_names.long_slots("The quick brown.fox", b"THEQUI~1FOX")

    assert len(slots) == 64
    assert (slots[0], slots[32]) == (0x42, 0x01)
    assert slots[11] == slots[43] == 0x0F
    assert slots[33:43].decode("utf-16-le") == "The q"
    assert slots[46:58].decode("utf-16-le") == "uick b"
    assert slots[60:64].decode("utf-16-le") == "ro"
    assert slots[1:11].decode("utf-16-le") == "wn.fo"
    assert slots[14:20] == b"x\0\0\0\xff\xff"


@given(
    st.lists(
        st.text(
            st.characters(exclude_categories=["Cs"], exclude_characters='"*/:<>?\\|\0'),
            min_size=1,
            max_size=100,
        ),
        max_size=60,
    )
)
def test_no_two_names_of_a_directory_share_a_short_one(texts: list[str]) -> None:
    distinct = list({text.upper().casefold(): text for text in texts}.values())

    shorts = fat_names.short_names(distinct)

    assert len(set(shorts)) == len(distinct)
    assert all(len(short) == 11 and short[0] not in {0x20, 0xE5, 0} for short in shorts)


@pytest.mark.parametrize(
    "name", [b"", b"..", b"a:b", b"a?", b"a\\b", b"\x01", b"\xff\xfe", b"x" * 256, b"a/b"]
)
def test_a_name_that_a_fat_cannot_hold_is_refused(name: bytes) -> None:
    with pytest.raises(SecurityError):
        fat_names.text_of(name)


# Linux fs/fat/misc.c, by the words of our reader, which was checked against it.
@given(st.integers(315_532_800, 4_354_819_199))
def test_a_date_is_read_back_to_two_seconds(seconds: int) -> None:
    date, time = fat_names.fat_time(seconds * 10**9)

    assert fat_slots.unix_ns(date, time) == seconds // 2 * 2 * 10**9


@pytest.mark.parametrize("mtime_ns", [-(2**63), -1, 0, 315_532_799 * 10**9])
def test_a_date_before_the_first_day_is_the_first_day(mtime_ns: int) -> None:
    assert fat_names.fat_time(mtime_ns) == (0x21, 0)


@pytest.mark.parametrize("mtime_ns", [2**63 - 1, 4_354_819_200 * 10**9])
def test_a_date_behind_the_last_day_is_the_last_day(mtime_ns: int) -> None:
    assert fat_names.fat_time(mtime_ns) == (0xFF9F, 0xBF7D)


def test_tables_are_packed_as_their_bits_say() -> None:
    chain = array("I", [0xFF8, 0xFFF, 0x003, 0x123])

    # FAT: General Overview, "FAT12": the first entry in the low twelve bits of three bytes.
    assert packed(chain, bits=12) == bytes.fromhex("f8ffff 033012")
    assert packed(chain[:3], bits=12) == bytes.fromhex("f8ffff 030000")
    assert packed(chain, bits=16) == bytes.fromhex("f80f ff0f 0300 2301")
    assert packed(chain, bits=32) == bytes.fromhex("f80f0000 ff0f0000 03000000 23010000")
