"""What decides whether a device is written to: pure, beside the root tests on loop devices."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from holdstill.errors import TargetRefusedError
from holdstill.model.sizes import GIB
from holdstill.rebuild import device_safety
from holdstill.rebuild.block_device import BlockDevice
from holdstill.rebuild.device_safety import Confirmation

CARD = BlockDevice(
    Path("/dev/sdb"), (8, 16), 32 * GIB, model="Reader", serial="0123456789AB", sequence="7"
)


def test_the_medium_that_was_judged_is_the_same_a_moment_later() -> None:
    assert device_safety.is_same_medium(CARD, CARD, size=CARD.size)


@pytest.mark.parametrize(
    "other",
    [
        replace(CARD, number=(8, 32)),
        replace(CARD, serial="BA9876543210"),
        replace(CARD, serial=""),
        replace(CARD, sequence="8"),
    ],
)
def test_another_medium_of_the_same_size_is_not_the_same(other: BlockDevice) -> None:
    assert not device_safety.is_same_medium(CARD, other, size=CARD.size)


@pytest.mark.parametrize("size", [0, CARD.size - 512, CARD.size + 512])
def test_a_medium_of_another_size_is_not_the_same(size: int) -> None:
    assert not device_safety.is_same_medium(CARD, CARD, size=size)


def refused(device: BlockDevice, *, token: str = "", again: str = "") -> str:
    with pytest.raises(TargetRefusedError) as caught:
        device_safety.check(device, needed=GIB, consent=Confirmation(token, again))
    return f"{caught.value} {caught.value.hint}"


def test_without_a_word_of_the_owner_nothing_is_written() -> None:
    with pytest.raises(TargetRefusedError) as caught:
        device_safety.check(CARD, needed=GIB, consent=Confirmation())

    assert str(caught.value.hint).endswith("say --confirm 0123456789AB")
    assert "is neither" not in str(caught.value)  # of a word that nobody typed


@pytest.mark.parametrize("token", [CARD.serial, str(CARD.size)])
def test_its_serial_or_its_size_names_a_card(token: str) -> None:
    device_safety.check(CARD, needed=CARD.size, consent=Confirmation(token=token))


@pytest.mark.parametrize(
    ("device", "why"),
    [
        (replace(CARD, whole="sdb"), "it is a partition"),
        (replace(CARD, size=0), "it has no medium"),
        (replace(CARD, uses=("/ is on it",)), "/ is on it"),
        (replace(CARD, sector_size=4096), "its sectors have 4096 bytes"),
        (replace(CARD, is_read_only=True), "it is read-only"),
        (replace(CARD, size=GIB - 1), "too small by 1 bytes"),
    ],
)
def test_some_reasons_nothing_overrides(device: BlockDevice, why: str) -> None:
    said = refused(device, token=device.serial, again=device.serial)

    assert why in said
    assert "nothing overrides this" in said


def test_a_reader_without_a_card_is_not_called_a_small_card() -> None:
    assert "too small" not in refused(replace(CARD, size=0))


def test_the_largest_card_is_named_once() -> None:
    largest = replace(CARD, size=512 * GIB)

    device_safety.check(largest, needed=GIB, consent=Confirmation(token=CARD.serial))


@pytest.mark.parametrize(
    "device",
    [
        replace(CARD, size=512 * GIB + 512),
        replace(CARD, is_fixed=True),
        replace(CARD, members=("part of an array",)),
    ],
)
def test_what_is_not_like_a_card_must_be_named_twice(device: BlockDevice) -> None:
    assert "--again" in refused(device, token=device.serial)
    assert "is neither its serial nor its size" in refused(device, token=CARD.serial, again="y")

    both = Confirmation(token=device.serial, again=device.serial)
    device_safety.check(device, needed=GIB, consent=both)
