from __future__ import annotations

import os
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from holdstill.errors import TargetRefusedError
from holdstill.rebuild import block_device, device_safety
from holdstill.rebuild.block_device import BlockDevice
from holdstill.rebuild.device_safety import Confirmation
from support.kernel_words import Kernel, say
from support.services import FakeMachine

GIB = 1 << 30
CARD = BlockDevice(
    path=Path("/dev/sdx"),
    number=(8, 16),
    size=16 * GIB,
    model="Generic STORAGE",
    serial="0x3ab2c4d5",
    holds=("partition 1: vfat 'BOOTFS', 256.0 MiB",),
)
NAMED = Confirmation("0x3ab2c4d5")


@pytest.fixture
def kernel(tmp_path: Path) -> Kernel:
    return Kernel(tmp_path)


def look_up(kernel: Kernel, name: str, number: tuple[int, int]) -> BlockDevice:
    return block_device.find_device(Path("/dev") / name, number, places=kernel.places)


def test_a_card_in_a_usb_reader_is_known_by_model_and_the_readers_serial(kernel: Kernel) -> None:
    reader = kernel.folder / "sys/devices/usb1/1-1"
    home = kernel.disk("sdx", "8:16", bus="usb1/1-1/host2/target2")
    device = reader / "host2"
    say(reader, idVendor="05e3", serial="000000001532")
    say(device, vendor="Generic ", model="STORAGE DEVICE  ")
    say(home, removable="1")
    (home / "device").symlink_to(device)

    found = look_up(kernel, "sdx", (8, 16))

    assert (found.model, found.serial) == ("Generic STORAGE DEVICE", "000000001532")
    assert found.size == 16 * GIB
    assert not found.is_fixed
    assert found.uses == ()


# Attributes of cards: Linux Documentation/driver-api/mmc/mmc-dev-attrs.rst.
def test_a_card_in_a_slot_is_known_by_its_own_serial(kernel: Kernel) -> None:
    home = kernel.disk("mmcblk1", "179:8", bus="platform/mmc_host/mmc1/mmc1:aaaa")
    say(home / "device", type="SD", name="SC16G", serial="0x3ab2c4d5")

    found = look_up(kernel, "mmcblk1", (179, 8))

    assert (found.model, found.serial) == ("SC16G", "0x3ab2c4d5")
    assert not found.is_fixed


# A disk that speaks SCSI or NVMe has a name of its own for the whole world instead of a serial.
@pytest.mark.parametrize("place", ["device", "."])
def test_a_disk_without_a_serial_is_known_by_its_worldwide_name(
    kernel: Kernel, place: str
) -> None:
    home = kernel.disk("sda", "8:0", bus="pci0/ata1")
    say(home / place, wwid="naa.5000c500a1b2c3d4")

    assert look_up(kernel, "sda", (8, 0)).serial == "naa.5000c500a1b2c3d4"


def test_a_vendor_that_is_a_number_is_no_part_of_a_name(kernel: Kernel) -> None:
    home = kernel.disk("vda", "254:0", bus="pci0/virtio1")
    say(home / "device", vendor="0x1af4", model="DISK")

    assert look_up(kernel, "vda", (254, 0)).model == "DISK"


def test_a_device_is_known_by_what_is_said_of_it_and_nothing_else() -> None:
    plain = BlockDevice(path=Path("/dev/sdx"), number=(8, 16), size=16 * GIB)

    assert plain.tokens == (str(16 * GIB),)
    assert plain.describe().startswith("/dev/sdx: a device without a name, 16.0 GiB")
    assert not (plain.sequence)
    assert not (plain.whole)
    assert not (plain.is_read_only)
    assert not (plain.is_fixed)


@pytest.mark.parametrize(
    ("name", "bus", "kind"),
    [("mmcblk0", "platform/mmc_host/mmc0/mmc0:0001", "MMC"), ("sda", "pci0/ata1", "0")],
)
def test_soldered_memory_and_inner_disks_look_built_in(
    kernel: Kernel, name: str, bus: str, kind: str
) -> None:
    home = kernel.disk(name, "179:0", bus=bus)
    say(home / "device", type=kind)

    assert look_up(kernel, name, (179, 0)).is_fixed


# Linux Documentation/ABI/stable/sysfs-block, removable: 1 where the medium can be taken out.
@pytest.mark.parametrize(("removable", "is_fixed"), [("1", False), ("0", True)])
def test_a_reader_on_an_inner_bus_is_not_built_in_if_its_medium_comes_out(
    kernel: Kernel, removable: str, *, is_fixed: bool
) -> None:
    home = kernel.disk("sda", "8:0", bus="pci0/ata1")
    say(home, removable=removable)

    assert look_up(kernel, "sda", (8, 0)).is_fixed is is_fixed


# A reader for several kinds of cards says 0 as long as no card is in it, as some disks on USB do.
@pytest.mark.parametrize("bus", ["usb1/1-1/host2", "pci0/usb3/3-2/host2"])
def test_what_hangs_on_usb_is_not_built_in_whatever_its_medium(kernel: Kernel, bus: str) -> None:
    home = kernel.disk("sdx", "8:16", bus=bus)
    say(home, removable="0")

    assert not look_up(kernel, "sdx", (8, 16)).is_fixed


def test_a_partition_is_known_as_one(kernel: Kernel) -> None:
    disk = kernel.disk("sdx", "8:16")
    kernel.partition(disk, "sdx2", "8:18")

    assert look_up(kernel, "sdx2", (8, 18)).whole == "sdx"
    assert look_up(kernel, "sdx", (8, 16)).whole == ""


@pytest.mark.parametrize("point", ["/media/card", "/media/with\\040space"])
def test_a_mounted_partition_is_a_use_of_the_disk(kernel: Kernel, point: str) -> None:
    disk = kernel.disk("sdx", "8:16")
    kernel.partition(disk, "sdx2", "8:18")
    kernel.mount("8:18", point, "/dev/sdx2")

    (use,) = look_up(kernel, "sdx", (8, 16)).uses

    assert use == f"sdx2 is mounted at {point.replace(chr(92) + '040', ' ')}"


def test_a_mounted_btrfs_that_shows_another_number_is_a_use_all_the_same(kernel: Kernel) -> None:
    disk = kernel.disk("sdx", "8:16")
    kernel.partition(disk, "sdx2", "8:18")
    kernel.mount("0:44", "/media/card", "/dev/sdx2")

    assert look_up(kernel, "sdx", (8, 16)).uses == ("sdx2 is mounted at /media/card",)


def test_swap_on_a_partition_is_a_use_of_the_disk(kernel: Kernel) -> None:
    disk = kernel.disk("sdx", "8:16")
    kernel.partition(disk, "sdx3", "8:19")
    kernel.swaps.append("/dev/sdx3 partition 524284 0 -2")

    assert look_up(kernel, "sdx", (8, 16)).uses == ("sdx3 is swapped to",)


@pytest.mark.parametrize("uuid", ["LVM-abcdef", "CRYPT-LUKS2-abcdef"])
def test_what_is_stacked_on_a_partition_is_a_use_of_the_disk(kernel: Kernel, uuid: str) -> None:
    disk = kernel.disk("sdx", "8:16")
    part = kernel.partition(disk, "sdx1", "8:17")
    kernel.holder(part, "dm-0", "254:0", uuid)

    kind = uuid.partition("-")[0]
    assert look_up(kernel, "sdx", (8, 16)).uses == (f"sdx1 is part of vg-root ({kind})",)


def test_a_raid_on_the_whole_disk_is_a_use(kernel: Kernel) -> None:
    disk = kernel.disk("sdx", "8:16")
    (disk / "holders/md0").mkdir(parents=True)

    assert look_up(kernel, "sdx", (8, 16)).uses == ("sdx is part of md0",)


def test_a_loop_device_over_a_partition_is_a_use_of_the_disk(kernel: Kernel) -> None:
    disk = kernel.disk("sdx", "8:16")
    kernel.partition(disk, "sdx2", "8:18")
    say(kernel.folder / "sys/block/loop3/loop", backing_file="/dev/sdx2")
    say(kernel.folder / "sys/block/loop4/loop", backing_file="/srv/sdx2")

    assert look_up(kernel, "sdx", (8, 16)).uses == ("sdx2 is behind loop3",)


def test_the_disk_that_the_system_runs_from_is_found_through_what_is_stacked_on_it(
    kernel: Kernel,
) -> None:
    disk = kernel.disk("sda", "8:0", bus="pci0/ata1")
    part = kernel.partition(disk, "sda3", "8:3")
    kernel.holder(part, "dm-0", "254:0", "LVM-abc")
    kernel.mount("254:0", "/", "/dev/mapper/vg-root")

    assert "this system runs from sda" in look_up(kernel, "sda", (8, 0)).uses


def test_another_disk_than_the_systems_is_not_in_use(kernel: Kernel) -> None:
    system = kernel.disk("sda", "8:0", bus="pci0/ata1")
    kernel.partition(system, "sda2", "8:2")
    kernel.disk("sdx", "8:16")
    kernel.mount("8:2", "/", "/dev/sda2")

    assert look_up(kernel, "sdx", (8, 16)).uses == ()
    assert look_up(kernel, "sda", (8, 0)).uses == (
        "sda2 is mounted at /",
        "this system runs from sda",
    )


def test_a_device_that_the_kernel_does_not_know_is_refused(kernel: Kernel) -> None:
    with pytest.raises(TargetRefusedError, match="the kernel has no information"):
        look_up(kernel, "sdx", (8, 16))


def test_a_card_that_was_named_passes() -> None:
    device_safety.check(CARD, needed=8 * GIB, consent=NAMED)


@pytest.mark.parametrize("token", ["0x3ab2c4d5", str(16 * GIB)])
def test_serial_and_size_both_name_a_card(token: str) -> None:
    device_safety.check(CARD, needed=8 * GIB, consent=Confirmation(token))


@pytest.mark.parametrize("token", ["", "yes", "0x3ab2c4d", "16G", "/dev/sdx", "Generic STORAGE"])
def test_nothing_else_names_it_and_the_refusal_shows_what_would_be_lost(token: str) -> None:
    with pytest.raises(TargetRefusedError) as caught:
        device_safety.check(CARD, needed=8 * GIB, consent=Confirmation(token))

    for shown in ("/dev/sdx", "Generic STORAGE", "0x3ab2c4d5", "16.0 GiB", "'BOOTFS'"):
        assert shown in str(caught.value)
    assert caught.value.hint == "if it is the right one, say `--confirm 0x3ab2c4d5`"
    assert caught.value.exit_code == 10


def test_a_device_without_a_serial_is_named_by_its_size_and_not_by_nothing() -> None:
    nameless = replace(CARD, serial="")

    device_safety.check(nameless, needed=GIB, consent=Confirmation(str(16 * GIB)))
    with pytest.raises(TargetRefusedError, match="would be lost"):
        device_safety.check(nameless, needed=GIB, consent=Confirmation(""))


@pytest.mark.parametrize(
    ("device", "reason"),
    [
        (replace(CARD, whole="sdx"), "it is a partition; name the whole disk, /dev/sdx"),
        (replace(CARD, uses=("sdx1 is mounted at /mnt",)), "sdx1 is mounted at /mnt"),
        (replace(CARD, is_read_only=True), "it is read-only"),
        (replace(CARD, size=8 * GIB - 512), "too small by 512 bytes"),
        (replace(CARD, size=0), "it has no medium"),
        (replace(CARD, sector_size=4096), "its sectors have 4096 bytes"),
    ],
)
def test_nothing_overrides_a_real_reason(device: BlockDevice, reason: str) -> None:
    with pytest.raises(TargetRefusedError, match=reason) as caught:
        device_safety.check(
            device, needed=8 * GIB, consent=Confirmation("0x3ab2c4d5", "0x3ab2c4d5")
        )

    assert "nothing overrides this" in caught.value.hint


@pytest.mark.parametrize(
    ("device", "oddity"),
    [
        (replace(CARD, size=600 * GIB), "larger than a card is likely to be"),
        (replace(CARD, is_fixed=True), "built in"),
        (replace(CARD, members=("partition 1 is a LVM2_member",)), "partition 1 is a LVM2_member"),
    ],
)
def test_what_is_unlike_a_card_must_be_named_twice(device: BlockDevice, oddity: str) -> None:
    twice = Confirmation("0x3ab2c4d5", "0x3ab2c4d5")

    device_safety.check(device, needed=GIB, consent=twice)
    for once in (NAMED, Confirmation("0x3ab2c4d5", "yes"), Confirmation("", "0x3ab2c4d5")):
        with pytest.raises(TargetRefusedError, match=oddity) as caught:
            device_safety.check(device, needed=GIB, consent=once)
        assert "--confirm 0x3ab2c4d5 --again 0x3ab2c4d5" in caught.value.hint


def test_the_limit_of_a_likely_card_is_the_callers() -> None:
    with pytest.raises(TargetRefusedError, match="larger than a card is likely to be"):
        device_safety.check(CARD, needed=GIB, consent=replace(NAMED, largest=8 * GIB))


def test_whoever_is_about_to_destroy_a_card_reads_what_it_is_and_holds() -> None:
    assert CARD.describe() == (
        "/dev/sdx: Generic STORAGE serial 0x3ab2c4d5, 16.0 GiB (17179869184 bytes)\n"
        "  partition 1: vfat 'BOOTFS', 256.0 MiB"
    )
    nameless = replace(CARD, model="", serial="", holds=())
    assert nameless.describe() == (
        "/dev/sdx: a device without a name, 16.0 GiB (17179869184 bytes)\n  holds nothing known"
    )


def test_what_the_kernel_says_of_sectors_and_of_the_little_switch_counts(kernel: Kernel) -> None:
    """Linux, Documentation/ABI/stable/sysfs-block: size is in units of 512 bytes, whatever
    queue/logical_block_size; ro is 1 where nothing can be written."""
    home = kernel.disk("sdx", "8:16", sectors=1000)
    plain = look_up(kernel, "sdx", (8, 16))
    say(home / "queue", logical_block_size="4096")
    say(home, ro="1", diskseq="12")

    found = look_up(kernel, "sdx", (8, 16))

    assert (plain.sector_size, plain.is_read_only, plain.sequence) == (512, False, "7")
    assert (found.sector_size, found.is_read_only, found.sequence) == (4096, True, "12")
    assert (plain.size, found.size) == (512_000, 512_000)
    assert (found.path, found.number) == (Path("/dev/sdx"), (8, 16))


def test_a_device_of_which_the_kernel_says_nothing_more_has_no_bytes(kernel: Kernel) -> None:
    home = kernel.disk("sdx", "8:16")
    (home / "size").unlink()
    (home / "sdx9").mkdir()
    (home / "sdx9/partition").touch()  # on its way: it has no number yet

    found = look_up(kernel, "sdx", (8, 16))

    assert (found.size, found.serial, found.model) == (0, "", "")


def test_a_loop_device_is_not_built_in(kernel: Kernel) -> None:
    kernel.disk("loop0", "7:0", bus="virtual")

    assert not look_up(kernel, "loop0", (7, 0)).is_fixed


def test_a_card_without_a_model_is_known_by_its_name_and_no_other_is(kernel: Kernel) -> None:
    home = kernel.disk("sdx", "8:16")
    say(home / "device", vendor="Generic", name="SC16G")
    without = look_up(kernel, "sdx", (8, 16)).model
    say(home / "device", model="STORAGE")

    assert (without, look_up(kernel, "sdx", (8, 16)).model) == ("SC16G", "Generic STORAGE")


def test_the_nearest_serial_is_the_devices(kernel: Kernel) -> None:
    """The card's own, then its slot's, then the reader's; a reader without one has no other."""
    reader = kernel.folder / "sys/devices/usb1/1-1"
    home = kernel.disk("sdx", "8:16", bus="usb1/1-1/host2/target2")
    say(reader, idVendor="05e3")
    (home / "device").symlink_to(reader / "host2")
    say(reader / "host2", wwid="naa.5000c500a1b2c3d4")
    found = [look_up(kernel, "sdx", (8, 16)).serial]
    for place, serial in ((reader, "READER"), (reader / "host2", "SLOT"), (home, "CARD")):
        say(place, serial=serial)
        found.append(look_up(kernel, "sdx", (8, 16)).serial)

    assert found == ["", "READER", "SLOT", "CARD"]


def test_a_name_of_the_devices_goes_before_the_disks(kernel: Kernel) -> None:
    home = kernel.disk("sda", "8:0", bus="pci0/ata1")
    say(home, wwid="disk")
    say(home / "device", wwid="device")

    assert look_up(kernel, "sda", (8, 0)).serial == "device"


def test_every_use_of_every_part_is_told_in_order(kernel: Kernel) -> None:
    disk = kernel.disk("sdx", "8:16")
    kernel.partition(disk, "sdx1", "8:17")
    for name in ("md1", "md0"):
        (disk / "sdx1/holders" / name).mkdir(parents=True)
    kernel.mount("8:16", "/media/all", "/dev/sdx")
    kernel.mount("8:17", "/media/part", "/dev/sdx1")
    kernel.swaps += ["", "/dev/sdx1 partition 524284 0 -2"]

    assert look_up(kernel, "sdx", (8, 16)).uses == (
        "sdx is mounted at /media/all",
        "sdx1 is part of md0",
        "sdx1 is part of md1",
        "sdx1 is mounted at /media/part",
        "sdx1 is swapped to",
    )


def test_the_system_runs_from_every_disk_below_its_root(kernel: Kernel) -> None:
    system = kernel.disk("dm-0", "254:0", bus="virtual")
    (system / "slaves").mkdir()
    for name, number in (("sda", "8:0"), ("sdb", "8:16")):
        disk = kernel.disk(name, number, bus=f"pci0/{name}")
        (system / "slaves" / name).symlink_to(disk)
    kernel.disk("sdc", "8:32")
    kernel.mount("254:0", "/", "/dev/mapper/vg-root")
    kernel.mount("8:32", "/mnt", "/dev/sdc")

    uses = [look_up(kernel, name, n).uses for name, n in (("sda", (8, 0)), ("sdb", (8, 16)))]

    assert uses == [("this system runs from sda",), ("this system runs from sdb",)]
    assert look_up(kernel, "sdc", (8, 32)).uses == ("sdc is mounted at /mnt",)


def test_a_root_of_a_file_system_without_a_device_runs_from_no_disk(kernel: Kernel) -> None:
    kernel.disk("sdx", "8:16")
    kernel.mount("0:25", "/", "overlay")

    assert look_up(kernel, "sdx", (8, 16)).uses == ()


@pytest.fixture
def node() -> Path:
    """Return a block device of this machine; only its number is read."""
    for path in sorted(Path("/dev").iterdir()):
        if stat.S_ISBLK(path.lstat().st_mode):
            return path
    pytest.skip("this machine shows no block device")


def number_of(node: Path) -> tuple[int, int]:
    number = node.lstat().st_rdev
    return os.major(number), os.minor(number)


@pytest.mark.parametrize("why", ["mounted", "partition", "no medium"])
def test_what_is_refused_anyway_is_not_even_opened(kernel: Kernel, node: Path, why: str) -> None:
    number = number_of(node)
    word = f"{number[0]}:{number[1]}"
    home = kernel.disk("sdx", word, sectors=0 if why == "no medium" else 1 << 25)
    if why == "mounted":
        kernel.mount(word, "/media/card", "/dev/sdx")
    if why == "partition":
        say(home, partition="1")

    found = block_device.inspect_device(node, FakeMachine({}), places=kernel.places)

    assert (found.path, found.number) == (node, number)
    assert bool(found.uses) == (why == "mounted")
    assert bool(found.whole) == (why == "partition")
    assert (found.holds, found.members) == ((), ())


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("nothing", "there is no device .*/nothing"),
        ("link", "is a symbolic link"),
        ("file", "file is no block device"),
        ("folder", "folder is no block device"),
    ],
)
def test_only_a_block_device_is_one(kernel: Kernel, tmp_path: Path, name: str, why: str) -> None:
    (tmp_path / "link").symlink_to("file")
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()

    with pytest.raises(TargetRefusedError, match=why):
        block_device.inspect_device(tmp_path / name, FakeMachine({}), places=kernel.places)
