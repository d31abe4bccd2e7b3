"""Every way in which a device is refused, on real loop devices; and the claim, held to the end."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.disks import partition_table_check, partition_table_writer
from holdstill.errors import TargetFailedError, TargetRefusedError
from holdstill.filesystems.fat import fat_writer
from holdstill.filesystems.swap import swap_writer
from holdstill.model.layout import Disk, Fat, Partition, Swap, TableLabel
from holdstill.rebuild import block_device, counterfeit_probe, device_safety, rebuild_target
from holdstill.rebuild.device_safety import Confirmation
from holdstill.system import process
from support import loop, programs
from support.contents import FolderContents, a_file

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.process import Command

MIB = 1 << 20
SIZE = 64 * MIB
NAMED = Confirmation(str(SIZE))
MACHINE = process.LocalRunner()
TWO_PARTITIONS = """\
label: dos
label-id: 0x5ca1ab1e
unit: sectors
start=2048, size=16384, type=c
start=18432, size=65536, type=83
"""


@pytest.fixture
def card(tmp_path: Path) -> Iterator[loop.LoopDisk]:
    """A loop device with two partitions, the second one an ext4."""
    image = loop.partitioned_image(tmp_path / "card.img", size=SIZE, script=TWO_PARTITIONS)
    with loop.attached(image) as disk:
        programs.run("mkfs.ext4", "-q", "-L", "jetty", disk.partition(2))
        yield disk


@contextmanager
def claimed(
    device: Path, *, consent: Confirmation = NAMED, needed: int = SIZE
) -> Iterator[rebuild_target.Target]:
    with device_safety.claimed_device(
        device, needed=needed, consent=consent, machine=MACHINE
    ) as held:
        yield held


def refusal(device: Path, *, consent: Confirmation = NAMED, needed: int = SIZE) -> str:
    """Return why a device is refused; fail if it is not, or if a byte of it changed."""
    before = ends(device)
    with (
        pytest.raises(TargetRefusedError) as caught,
        claimed(device, consent=consent, needed=needed),
    ):
        pytest.fail("it was claimed")
    assert ends(device) == before
    return str(caught.value)


def ends(device: Path) -> str:
    """Return a digest of the first and last MiB of a device."""
    with device.open("rb") as file:
        first = file.read(MIB)
        file.seek(-MIB, os.SEEK_END)
        return hashlib.sha256(first + file.read(MIB)).hexdigest()


def test_a_named_card_is_claimed_and_shown_with_what_it_holds(card: loop.LoopDisk) -> None:
    device = block_device.inspect_device(card.device, MACHINE)

    assert device.size == SIZE
    assert "partition 2: ext4 'jetty', 32.0 MiB" in device.describe()
    with claimed(card.device) as held:
        assert held.is_device
        assert held.size == SIZE


def test_a_device_that_nobody_named_is_refused(card: loop.LoopDisk) -> None:
    said = refusal(card.device, consent=Confirmation(""))

    assert "everything on this device would be lost" in said
    assert "'jetty'" in said


def test_a_mounted_disk_is_refused(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)
    with loop.attached(image) as disk:
        programs.run("mkfs.ext4", "-q", disk.device)
        with loop.mounted(disk.device, tmp_path / "mount"):
            said = refusal(disk.device)

    assert f"is mounted at {tmp_path / 'mount'}" in said


def test_a_disk_with_one_mounted_partition_is_refused(card: loop.LoopDisk, tmp_path: Path) -> None:
    with loop.mounted(card.partition(2), tmp_path / "mount"):
        said = refusal(card.device)

    assert f"{card.partition(2).name} is mounted at {tmp_path / 'mount'}" in said


def test_a_disk_that_is_swapped_to_is_refused(card: loop.LoopDisk) -> None:
    programs.run("mkswap", card.partition(1))
    programs.run("swapon", card.partition(1))
    try:
        said = refusal(card.device)
    finally:
        programs.run("swapoff", card.partition(1))

    assert f"{card.partition(1).name} is swapped to" in said


def test_a_disk_behind_another_device_is_refused(card: loop.LoopDisk) -> None:
    with loop.attached(card.partition(2)) as over:
        said = refusal(card.device)

    assert f"{card.partition(2).name} is behind {over.device.name}" in said


def test_a_disk_with_other_sectors_is_refused(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)
    words = ("losetup", "--find", "--show", "--sector-size", "4096", image)
    device = Path(programs.run(*words).decode().strip())
    try:
        said = refusal(device)
    finally:
        programs.run("losetup", "--detach", device)

    assert "its sectors have 4096 bytes; those of the captured disk have 512" in said


@dataclass
class ExchangingMachine:
    """A machine on which the card gives way to a larger one while it is looked at."""

    card: loop.LoopDisk
    image: Path

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        said = MACHINE.run(command, stdin=stdin)
        os.truncate(self.image, 2 * SIZE)
        programs.run("losetup", "--set-capacity", self.card.device)
        return said


def test_a_card_that_is_another_one_than_the_one_that_was_judged_is_refused(
    card: loop.LoopDisk, tmp_path: Path
) -> None:
    machine = ExchangingMachine(card, tmp_path / "card.img")
    before = ends(card.partition(2))

    with (
        pytest.raises(TargetRefusedError, match="another device than a moment ago"),
        device_safety.claimed_device(card.device, needed=SIZE, consent=NAMED, machine=machine),
    ):
        pytest.fail("it was claimed")

    assert ends(card.partition(2)) == before


def test_a_partition_is_refused(card: loop.LoopDisk) -> None:
    said = refusal(card.partition(2))

    assert f"it is a partition; name the whole disk, {card.device}" in said


def test_a_read_only_device_is_refused(card: loop.LoopDisk) -> None:
    programs.run("blockdev", "--setro", card.device)
    try:
        said = refusal(card.device)
    finally:
        programs.run("blockdev", "--setrw", card.device)

    assert "it is read-only" in said


def test_a_device_that_is_too_small_is_refused_with_the_shortfall(card: loop.LoopDisk) -> None:
    said = refusal(card.device, needed=SIZE + 4096)

    assert "too small by 4096 bytes" in said


def test_a_device_larger_than_a_card_is_named_twice(card: loop.LoopDisk) -> None:
    once = Confirmation(str(SIZE), largest=SIZE - 1)
    assert "larger than a card is likely to be" in refusal(card.device, consent=once)

    with claimed(card.device, consent=Confirmation(str(SIZE), str(SIZE), SIZE - 1)) as held:
        assert held.size == SIZE


def test_a_member_of_a_volume_group_is_named_twice(card: loop.LoopDisk) -> None:
    # The label of a physical volume, at sector 1 (lvm2, lib/format_text/layout.h).
    label = b"LABELONE" + (1).to_bytes(8, "little") + bytes(4) + (32).to_bytes(4, "little")
    with card.partition(1).open("r+b") as part:
        part.seek(512)
        part.write(with_crc(label + b"LVM2 001" + b"0123456789abcdef" * 2))

    said = refusal(card.device)

    assert "partition 1 is a LVM2_member" in said


def with_crc(label: bytes) -> bytes:
    """Fill in the checksum of an LVM label: CRC-32 from 0xF597A6CF without the final xor."""
    sector = bytearray(label.ljust(512, b"\0"))
    crc = 0xF597A6CF
    for byte in sector[20:]:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    sector[16:20] = crc.to_bytes(4, "little")
    return bytes(sector)


def test_a_regular_file_is_no_device(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)

    assert "is no block device" in refusal(image)


def test_a_folder_and_a_character_device_are_no_devices(tmp_path: Path) -> None:
    for path in (tmp_path, Path("/dev/null")):
        with pytest.raises(TargetRefusedError, match="is no block device"), claimed(path):
            pytest.fail("it was claimed")


def test_a_symlink_to_a_device_is_refused_and_its_end_is_named(
    card: loop.LoopDisk, tmp_path: Path
) -> None:
    link = tmp_path / "card"
    link.symlink_to(card.device)

    with pytest.raises(TargetRefusedError, match="symbolic link") as caught, claimed(link):
        pytest.fail("it was claimed")

    assert str(card.device) in caught.value.hint


def test_a_device_that_is_not_there_is_named() -> None:
    with (
        pytest.raises(TargetRefusedError, match="there is no device"),
        claimed(Path("/dev/no-such-card")),
    ):
        pytest.fail("it was claimed")


def test_the_disk_of_the_running_system_is_refused_whatever_is_said() -> None:
    number = Path("/").stat().st_dev
    home = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}").resolve()
    disk = home.parent if (home / "partition").exists() else home
    device = block_device.inspect_device(Path("/dev") / disk.name, MACHINE)

    # Only judged, never opened for writing: this is the machine's own disk.
    with pytest.raises(TargetRefusedError, match=f"this system runs from {disk.name}"):
        device_safety.check(
            device, needed=0, consent=Confirmation(device.tokens[0], device.tokens[0])
        )


def test_every_disk_in_use_on_this_machine_is_refused() -> None:
    used = {
        line.split()[0]
        for line in Path("/proc/self/mounts").read_text(encoding="utf-8").splitlines()
    }
    mounted = [Path(name) for name in used if Path(name).is_block_device()]

    assert mounted
    for path in mounted:
        device = block_device.inspect_device(path, MACHINE)
        with pytest.raises(TargetRefusedError, match=r"nothing|is mounted|partition"):
            device_safety.check(
                device, needed=0, consent=Confirmation(device.tokens[0], device.tokens[0])
            )


def test_a_second_claim_is_refused_while_the_first_is_held(card: loop.LoopDisk) -> None:
    with claimed(card.device) as held:
        os.pwrite(held.handle, b"first", 0)
        said = refusal(card.device)

    assert "cannot be claimed: it is in use" in said
    assert first_bytes(card.device, 5) == b"first"


def test_s45_nobody_mounts_a_claimed_card(card: loop.LoopDisk, tmp_path: Path) -> None:
    with claimed(card.device):
        tried = programs.attempt("mount", card.partition(2), tmp_path)

    assert tried.returncode != 0
    assert not tmp_path.is_mount()


def test_a_claimed_card_takes_table_fat_and_swap_and_the_kernel_sees_them_afterwards(
    tmp_path: Path,
) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(b"\xff" * SIZE)
    disk = Disk(
        size=SIZE,
        label=TableLabel.DOS,
        id="0x5ca1ab1e",
        partitions=(
            Partition(number=1, start=8192, size=32768, type="c"),
            Partition(number=2, start=40960, size=65536, type="82"),
        ),
    )
    parameters = Fat(
        bits=16, volume_id=7, sectors_per_cluster=4, reserved_sectors=4, root_entries=512,
        sectors=32768, clusters=8167,
    )  # fmt: skip
    contents = FolderContents(tmp_path / "content")
    entries = [a_file(contents, b"cmdline.txt", b"root=PARTUUID=5ca1ab1e-02\n")]

    with loop.attached(image) as card:
        with claimed(card.device) as held:
            rebuild_target.invalidate(held)
            rebuild_target.discard(held)
            fat_writer.make(
                held.path, offset=8192 * 512, size=16 * MIB, parameters=parameters,
                entries=entries, contents=contents, machine=MACHINE,
            )  # fmt: skip
            area = Swap(uuid="0f4ea1bc-4e61-4b43-a9b1-6d0c5e1e7a55")
            swap_writer.make(held.path, offset=40960 * 512, size=32 * MIB, parameters=area)
            rebuild_target.flush_and_drop_caches(held)
            partition_table_writer.write(held.path, disk, MACHINE)
            partition_table_check.check(held.path, disk)
        programs.run("partx", "--update", card.device)
        boot = card.partition(1)
        programs.run("fsck.vfat", "-n", boot)
        assert (
            programs.run("mtype", "-i", boot, "::/cmdline.txt") == b"root=PARTUUID=5ca1ab1e-02\n"
        )
        assert b'TYPE="swap"' in programs.run("blkid", "-p", card.partition(2))


def test_a_failure_after_the_beginning_leaves_no_table(card: loop.LoopDisk) -> None:
    with pytest.raises(TargetFailedError), claimed(card.device) as held:
        write_and_fail(held)

    assert first_bytes(card.device, 512) == bytes(512)


def write_and_fail(held: rebuild_target.Target) -> None:
    rebuild_target.invalidate(held)
    programs.run("sfdisk", "--no-reread", "-q", held.path, stdin=TWO_PARTITIONS.encode())
    assert first_bytes(held.path, 512) != bytes(512)
    raise TargetFailedError("the card was pulled")


def first_bytes(device: Path, count: int) -> bytes:
    with device.open("rb") as file:
        return file.read(count)


def test_a_failure_before_the_beginning_leaves_the_card_as_it_was(card: loop.LoopDisk) -> None:
    before = ends(card.device)

    with pytest.raises(TargetFailedError), claimed(card.device):
        raise TargetFailedError("the store is not there")

    assert ends(card.device) == before


def test_old_tables_at_both_ends_are_gone(tmp_path: Path) -> None:
    gpt = TWO_PARTITIONS.replace("dos", "gpt").replace("label-id: 0x5ca1ab1e\n", "")
    image = loop.partitioned_image(
        tmp_path / "card.img", size=SIZE, script=gpt.replace("type=c", "type=L").replace("83", "L")
    )
    with loop.attached(image) as disk, claimed(disk.device) as held:
        rebuild_target.invalidate(held)
        rebuild_target.flush_and_drop_caches(held)

        said = programs.attempt("wipefs", "--no-act", "--parsable", disk.device).stdout
        assert said == b""


def test_a_discarded_loop_gives_its_space_back(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(b"\xff" * SIZE)
    with loop.attached(image) as disk, claimed(disk.device) as held:
        understood = rebuild_target.discard(held)

    assert understood
    assert image.stat().st_blocks * 512 < 3 * MIB  # all but both ends


def test_an_honest_card_passes_the_marks(card: loop.LoopDisk) -> None:
    with claimed(card.device) as held:
        count = counterfeit_probe.probe(
            counterfeit_probe.TargetMedium(held), needed=SIZE, nonce=os.urandom(16)
        )

    assert count >= 8


def test_a_card_whose_end_is_not_there_is_found(tmp_path: Path) -> None:
    with (
        liar(tmp_path) as image,
        loop.attached(image) as disk,
        pytest.raises(TargetFailedError, match=r"does not keep what is|did not take what was"),
        claimed(disk.device) as held,
    ):
        counterfeit_probe.probe(
            counterfeit_probe.TargetMedium(held), needed=SIZE, nonce=os.urandom(16)
        )


@contextmanager
def liar(folder: Path) -> Iterator[Path]:
    """Yield an image that claims 64 MiB on a file system that has room for six blocks."""
    place = folder / "small"
    place.mkdir()
    programs.run("mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", place)
    try:
        yield loop.blank_image(place / "card.img", size=SIZE)
    finally:
        programs.run("umount", place)


def test_the_lock_that_keeps_udev_off_is_held(card: loop.LoopDisk) -> None:
    with claimed(card.device):
        other = os.open(card.device, os.O_RDONLY)
        try:
            with pytest.raises(OSError, match="temporarily unavailable") as caught:
                fcntl.flock(other, fcntl.LOCK_SH | fcntl.LOCK_NB)
        finally:
            os.close(other)

    assert caught.value.errno == errno.EAGAIN
