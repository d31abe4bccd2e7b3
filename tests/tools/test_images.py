"""The image builders that need no root, checked by other means than the maker's."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 512
GPT = "label: gpt\nunit: sectors\nstart=2048, size=4096, type=uefi\nstart=6144, size=8192\n"


def test_a_blank_image_reads_as_zeros_and_takes_no_space(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "blank.img", size=8 << 20)

    assert image.read_bytes() == bytes(8 << 20)
    assert image.stat().st_blocks == 0


# Byte 0x1B8: disk signature; 0x1BE: first entry, with type at +4, start at +8, size at +12;
# 0x1FE: signature 55 AA (UEFI Specification 2.10, section 5.2.1, tables 5-1 and 5-2).
def test_a_table_is_written_where_the_specification_says(tmp_path: Path) -> None:
    script = "label: dos\nlabel-id: 0x5ca1ab1e\nunit: sectors\nstart=2048, size=4096, type=c\n"

    image = loop.partitioned_image(tmp_path / "card.img", size=8 << 20, script=script)

    first = image.read_bytes()[:SECTOR]
    assert first[0x1FE:] == b"\x55\xaa"
    assert struct.unpack_from("<I", first, 0x1B8) == (0x5CA1AB1E,)
    assert first[0x1BE + 4] == 0x0C
    assert struct.unpack_from("<II", first, 0x1BE + 8) == (2048, 4096)


@pytest.mark.parametrize(
    ("script", "numbers"),
    [
        (GPT, [1, 2]),
        ("label: dos\nstart=2048, size=2048, type=83\n\nstart=8192, size=2048\n", [1, 2]),
        ("label: dos\n1: start=2048, size=2048\n3: start=4096, size=2048\n", [1, 3]),
    ],
)
def test_partitions_are_known_by_their_numbers(
    tmp_path: Path, script: str, numbers: list[int]
) -> None:
    image = loop.partitioned_image(tmp_path / "card7.img", size=16 << 20, script=script)

    assert loop.partition_numbers(image) == numbers


def test_a_script_that_does_not_fit_is_refused_in_the_tools_own_words(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="ended with status 1"):
        loop.partitioned_image(tmp_path / "card.img", size=1 << 20, script=GPT)


def test_a_program_that_is_not_installed_is_named() -> None:
    with pytest.raises(AssertionError, match="no-such-program is not installed"):
        programs.run("no-such-program")
