"""What decides whether a device is written to: pure, beside the root tests on loop devices."""

from __future__ import annotations

import errno
import fcntl
import os
from dataclasses import replace
from pathlib import Path

import pytest

from holdstill.errors import TargetRefusedError
from holdstill.model.sizes import GIB
from holdstill.rebuild import device_safety
from holdstill.rebuild.block_device import BlockDevice
from holdstill.rebuild.device_safety import Confirmation
from support import descriptors

CARD = BlockDevice(
    Path("/dev/sdb"), (8, 16), 32 * GIB, model="Reader", serial="0123456789AB", sequence="7"
)


def test_the_medium_that_was_judged_is_the_same_a_moment_later() -> None:
    assert device_safety.is_same_medium(CARD, now=CARD, size=CARD.size)


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
    assert not device_safety.is_same_medium(CARD, now=other, size=CARD.size)


@pytest.mark.parametrize("size", [0, CARD.size - 512, CARD.size + 512])
def test_a_medium_of_another_size_is_not_the_same(size: int) -> None:
    for now in (CARD, replace(CARD, size=size)):
        assert not device_safety.is_same_medium(CARD, now=now, size=size)


def refused(device: BlockDevice, *, token: str = "", again: str = "") -> str:
    with pytest.raises(TargetRefusedError) as caught:
        device_safety.check(device, needed=GIB, consent=Confirmation(token, again))
    return f"{caught.value} {caught.value.hint}"


def test_without_a_word_of_the_owner_nothing_is_written() -> None:
    with pytest.raises(TargetRefusedError) as caught:
        device_safety.check(CARD, needed=GIB, consent=Confirmation())

    assert str(caught.value.hint).endswith("say `--confirm 0123456789AB`")
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


def test_every_oddity_and_every_wrong_word_is_told() -> None:
    odd = replace(CARD, size=600 * GIB, is_fixed=True, members=("partition 1 is a LVM2_member",))

    said = refused(odd, token="yes", again="no")  # noqa: S106

    for part in (
        "everything on this device would be lost",
        "larger than a card is likely to be (512.0 GiB)",
        "built in",
        "partition 1 is a LVM2_member",
        "yes is neither its serial nor its size",
        "no is neither its serial nor its size",
    ):
        assert part in said


def test_all_reasons_are_told_at_once_and_sectors_are_those_of_the_captured_disk() -> None:
    worst = replace(CARD, whole="sdb", is_read_only=True, uses=("a", "b"), sector_size=512)

    with pytest.raises(TargetRefusedError) as caught:
        device_safety.check_fit(worst, needed=33 * GIB, sector_size=4096)

    for part in ("/dev/sdb is not written", "; a; b; ", "have 512 bytes", "4096, in which",
                 f"too small by {GIB} bytes: 33.0 GiB"):  # fmt: skip
        assert part in str(caught.value)
    assert caught.value.hint == "name another card; nothing overrides this"
    device_safety.check_fit(replace(CARD, sector_size=4096), needed=CARD.size, sector_size=4096)
    device_safety.check_fit(CARD, needed=CARD.size)


def test_a_claim_is_of_the_thing_itself_locked_and_let_go(tmp_path: Path) -> None:
    """open(2): O_EXCL without O_CREAT means something for block devices alone: so a file does."""
    node = tmp_path / "node"
    node.write_bytes(b"table")
    before = descriptors.count()

    with device_safety._exclusive(replace(CARD, path=node)) as handle, node.open("rb") as other:
        flags = fcntl.fcntl(handle, fcntl.F_GETFL)
        with pytest.raises(BlockingIOError):
            fcntl.flock(other, fcntl.LOCK_SH | fcntl.LOCK_NB)
        assert os.pwrite(handle, b"T", 0) == 1

    assert flags & os.O_ACCMODE == os.O_RDWR
    assert node.read_bytes() == b"Table"
    assert descriptors.count() == before


def test_who_reads_a_device_at_that_moment_does_not_keep_it_from_us(tmp_path: Path) -> None:
    node = tmp_path / "node"
    node.touch()
    with node.open("rb") as other:
        fcntl.flock(other, fcntl.LOCK_SH)

        with device_safety._exclusive(replace(CARD, path=node)) as handle:
            assert os.fstat(handle).st_ino == node.stat().st_ino


@pytest.mark.parametrize(
    ("name", "why"), [("nothing", "No such file"), ("folder", "directory"), ("link", "symbolic")]
)
def test_what_cannot_be_claimed_is_told_with_the_reason(
    tmp_path: Path, name: str, why: str
) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("elsewhere")
    (tmp_path / "elsewhere").touch()

    with (
        pytest.raises(TargetRefusedError, match=f"{name} cannot be claimed: .*{why}"),
        device_safety._exclusive(replace(CARD, path=tmp_path / name)),
    ):
        pytest.fail("it was claimed")


def test_why_a_kernel_refuses_a_card_is_said_in_plain_words() -> None:
    """open(2); ENOMEDIUM is what a reader without a card answers (common practice)."""
    assert device_safety._WHY == {
        errno.EBUSY: "it is in use",
        errno.EACCES: "you may not write to it, or it is read-only",
        errno.EROFS: "it is read-only",
        errno.ENOMEDIUM: "there is no card in it",
    }
