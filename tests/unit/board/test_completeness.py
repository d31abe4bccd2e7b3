"""Kinds of boards as plain facts: what is missing or cannot be rebuilt is said, the rest is not.

Every alarm has a quiet twin here: the same board, understood.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board import completeness, mounts
from holdstill.board.board_facts import (
    BlockDevice,
    BoardFacts,
    DiskFacts,
    Doubt,
    LoopFile,
    Number,
    PartFacts,
    PlacedMount,
    Subvolume,
    UncapturedArea,
    UsedGap,
)
from holdstill.model.finding import Finding, FindingKind
from holdstill.model.layout import (
    ArrayMember,
    Disk,
    Ext4,
    Fat,
    FileSystem,
    Luks,
    LvmPv,
    Other,
    Partition,
    Raw,
    Swap,
    TableLabel,
)
from holdstill.model.system_tables import (
    CrypttabEntry,
    FstabEntry,
    parse_crypttab,
    parse_fstab,
)

if TYPE_CHECKING:
    from holdstill.board.mounts import Mount

MISSING, NOT_REBUILDABLE, LEFT_OUT = FindingKind
UUID = "0b54e6d5-14a7-4f5e-9e5c-8bd3f4a1b7a1"
OTHER_UUID = "9c0ae3a1-76f0-4d5f-a2c6-0a6d2f5f4c11"
EXT4 = Ext4(
    uuid=UUID, block_size=4096, blocks=1000, inode_size=256, inodes=100, features=("extent",)
)
FAT = Fat(
    bits=32,
    volume_id=0xA40D85E7,
    sectors_per_cluster=1,
    reserved_sectors=32,
    sectors=9,
    clusters=9,
)
BTRFS = Other(type="btrfs", uuid=UUID)
CARD = (
    BlockDevice("mmcblk0", (179, 0), "mmcblk0"),
    BlockDevice("mmcblk0p1", (179, 1), "mmcblk0"),
    BlockDevice("mmcblk0p2", (179, 2), "mmcblk0"),
)
USB = (BlockDevice("sda", (8, 0), "sda"), BlockDevice("sda1", (8, 1), "sda"))
DISK = Disk(
    size=1 << 30,
    label=TableLabel.DOS,
    id="0x9a3c5d2e",
    partitions=(
        Partition(number=1, start=8192, size=8192, type="c"),
        Partition(number=2, start=16384, size=65536, type="83"),
    ),
)


def lines(text: str) -> tuple[Mount, ...]:
    """Read mounts as mountinfo has them (proc(5))."""
    return mounts.parse_mountinfo(text.encode())


def placed(*texts: str, numbers: dict[str, Number] | None = None) -> tuple[PlacedMount, ...]:
    """Place mounts of a root at /; numbers: of the devices of btrfs mounts, by source."""
    return tuple(
        PlacedMount(m, (numbers or {}).get(m.source, m.device), str(m.point))
        for text in texts
        for m in lines(text)
    )


ROOT = "30 1 179:2 / / rw,relatime shared:1 - ext4 /dev/mmcblk0p2 rw"
FIRMWARE = "31 30 179:1 / /boot/firmware rw - vfat /dev/mmcblk0p1 rw"


def root_part(file_system: FileSystem = EXT4, mount: str = ROOT, **more: object) -> PartFacts:
    part = PartFacts(
        number=2,
        device="/dev/mmcblk0p2",
        file_system=file_system,
        id=(179, 2),
        names=frozenset({f"UUID={UUID}", "PARTUUID=9a3c5d2e-02", "LABEL=rootfs"}),
        mount=lines(mount)[0],
        place="/",
    )
    return replace(part, **more)  # type: ignore[arg-type]


def board(
    *,
    root: PartFacts | None = None,
    also: tuple[str, ...] = (),
    devices: tuple[BlockDevice, ...] = (),
    fstab: str = "",
    **more: object,
) -> BoardFacts:
    """Return the usual board, with a FAT to boot from and an ext4; more of it as named."""
    boot = PartFacts(
        number=1,
        device="/dev/mmcblk0p1",
        file_system=FAT,
        id=(179, 1),
        names=frozenset({"UUID=A40D-85E7", "PARTUUID=9a3c5d2e-01"}),
        mount=lines(FIRMWARE)[0],
        place="/boot/firmware",
    )
    facts = BoardFacts(
        disks=(DiskFacts("/dev/mmcblk0"),),
        parts=(boot, root or root_part()),
        mounts=placed(ROOT, FIRMWARE, *also),
        devices=(*CARD, *devices),
        fstab=tuple(parse_fstab(FSTAB + fstab)),
        root_argument="PARTUUID=9a3c5d2e-02",
    )
    return replace(facts, **more)  # type: ignore[arg-type]


FSTAB = """\
proc /proc proc defaults 0 0
PARTUUID=9a3c5d2e-01 /boot/firmware vfat defaults 0 2
UUID=0B54E6D5-14A7-4F5E-9E5C-8BD3F4A1B7A1 / ext4 defaults,noatime 0 1
tmpfs /tmp tmpfs defaults 0 0
/swapfile none swap sw 0 0
boathouse:/tide /srv/tide nfs defaults 0 0
/srv/a /srv/b none bind 0 0
"""


def said(facts: BoardFacts, *leave_out: str) -> list[tuple[FindingKind, str]]:
    verdict = completeness.judge(facts, leave_out)
    for finding in verdict.findings:
        assert finding.why
        assert bool(finding.hint) == finding.is_serious
    return [(finding.kind, finding.what) for finding in verdict.findings]


def test_the_usual_board_is_quiet() -> None:
    assert completeness.judge(board()) == completeness.Completeness((), ())


SRV = "40 30 8:1 / /srv rw - ext4 /dev/sda1 rw"


def test_data_on_a_second_disk_is_missing_by_any_name_once() -> None:
    facts = board(also=(SRV, SRV.replace("/ /srv", "/x /opt/x")), devices=USB)

    (finding,) = completeness.judge(facts).findings

    assert (finding.kind, finding.what) == (MISSING, "/srv")
    assert "/dev/sda1" in finding.why
    assert "/opt/x" in finding.why
    for word in ("/srv", "/dev/sda1", "/dev/sda", "/sr?", "/dev/sd?"):
        assert said(facts, word) == [(LEFT_OUT, "/srv")]
    for word in ("/sr", "/srv/x", "/opt/x", "/*/*/*", "sda"):
        assert said(facts, word) == [(MISSING, "/srv")]


def test_data_of_the_owner_is_left_out_and_the_line_that_includes_it_is_told() -> None:
    data = SRV.replace("/srv", "/data")
    (quiet,) = completeness.judge(board(also=(data,), devices=USB)).findings
    named = board(also=(data,), devices=USB, fstab="/dev/sda1 /data ext4 defaults 0 2\n")
    (waited,) = completeness.judge(named).findings
    may_fail = board(also=(data,), devices=USB, fstab="/dev/sda1 /data ext4 nofail 0 2\n")
    (other,) = completeness.judge(may_fail).findings

    for finding in (quiet, waited, other):
        assert (finding.kind, finding.what) == (LEFT_OUT, "/data")
        assert "`disks: [auto, /dev/sda]` in the settings captures it" in finding.why
    assert "starts without it" in quiet.why
    assert "starts without it" in other.why
    assert "without `nofail`, so the board stops" in waited.why


def test_the_word_about_a_folder_is_none_about_another_of_the_same_disk() -> None:
    facts = board(
        also=(SRV.replace("/ /srv", "/a /srv"), SRV.replace("/ /srv", "/b /home")), devices=USB
    )

    assert said(facts, "/srv") == [(LEFT_OUT, "/srv"), (MISSING, "/home")]
    assert said(facts, "/dev/sda1") == [(LEFT_OUT, "/srv"), (LEFT_OUT, "/home")]


def test_a_name_with_brackets_can_be_written_as_it_is_told() -> None:
    facts = btrfs(AT.replace("/@", "/"), Subvolume("/a[b]"))
    ((_, what),) = said(facts)

    assert said(facts, what) == said(facts, "/a[b]") == [(LEFT_OUT, what)]
    assert said(facts, "/ab") == [(MISSING, what)]


def test_a_word_of_the_owner_that_means_nothing_is_told() -> None:
    assert completeness.judge(board(), ["/nowhere"]).unused == ("/nowhere",)


def test_root_on_a_usb_disk_and_boot_on_the_card() -> None:
    usb_root = root_part(device="/dev/sda1", id=(8, 1), mount=SRV.replace("/ /srv", "/ /"))
    facts = board(devices=USB, mounts=placed(SRV.replace("/ /srv", "/ /"), FIRMWARE))
    facts = replace(facts, disks=(DiskFacts("/dev/sda"),), parts=(usb_root,))

    (finding,) = completeness.judge(facts).findings

    assert (finding.kind, finding.what) == (MISSING, "/boot/firmware")
    assert "boots from it" in finding.why
    # Not mounted just now: fstab still tells of it.
    assert said(replace(facts, mounts=placed(SRV.replace("/ /srv", "/ /")))) == [
        (MISSING, "/boot/firmware")
    ]


def stick(place: str, *, is_removable: bool = False) -> BoardFacts:
    devices = tuple(replace(device, is_removable=is_removable) for device in USB)
    return board(also=(SRV.replace("/srv", place),), devices=devices)


@pytest.mark.parametrize("place", ["/media/pi/STICK", "/mnt", "/run/media/x"])
def test_what_comes_and_goes_is_named_and_no_alarm(place: str) -> None:
    verdict = completeness.judge(stick(place))

    assert verdict.findings == ()
    assert [place in words for words in verdict.not_needed] == [True]


def test_a_removable_stick_is_no_alarm_anywhere_unless_fstab_or_booting_needs_it() -> None:
    facts = stick("/srv", is_removable=True)
    needed = replace(facts, fstab=(FstabEntry("UUID=x", "/srv", "ext4", ("nofail",)),))
    by_device = replace(
        facts,
        fstab=(FstabEntry("UUID=x", "/elsewhere", "ext4", ("noauto",)),),
        devices_of={"UUID=x": (8, 1)},
    )

    assert said(facts) == []
    assert said(needed) == said(by_device) == [(MISSING, "/srv")]
    assert said(stick("/efi", is_removable=True)) == [(MISSING, "/efi")]


def test_the_disk_with_the_store_is_no_alarm() -> None:
    assert said(board(also=(SRV,), devices=USB, store="/srv")) == []


@pytest.mark.parametrize(
    "mount",
    [
        "40 30 0:50 / /srv/tide rw - nfs4 boathouse:/tide rw",
        "40 30 0:51 / /srv/cifs rw - cifs //boathouse/tide rw",
        "40 30 0:52 / /srv/sshfs rw - fuse.sshfs boathouse: rw",
        "40 30 0:53 / /proc rw - proc proc rw",
        "40 30 0:54 / /tmp rw - tmpfs tmpfs rw",
        "40 30 0:55 / /var/lib/c/merged rw - overlay overlay rw,lowerdir=/a,upperdir=/b",
        "40 30 0:56 / /mnt/auto rw - autofs systemd-1 rw",
    ],
)
def test_network_memory_and_overlays_are_named_and_no_alarm(mount: str) -> None:
    verdict = completeness.judge(board(also=(mount,)))

    assert verdict.findings == ()
    assert len(verdict.not_needed) == 1


def test_a_loop_device_whose_file_is_captured_is_captured_with_it() -> None:
    snap = BlockDevice("loop0", (7, 0), "loop0", file=LoopFile("/srv/core", (179, 2)))
    mount = "40 30 7:0 / /snap/core ro - squashfs /dev/loop0 ro"
    facts = board(also=(mount,), devices=(snap,))

    assert completeness.judge(facts) == completeness.Completeness(())
    # A file in a file, on a partition of that.
    inner = BlockDevice("loop1p1", (259, 9), "loop1", file=LoopFile("/snap/core/x", (7, 0)))
    mount = "41 30 259:9 / /srv/deep rw - ext4 /dev/loop1p1 rw"
    assert completeness.judge(board(also=(mount,), devices=(snap, inner))).not_needed == ()


def test_a_loop_device_whose_file_is_gone_or_elsewhere_is_missing() -> None:
    mount = "40 30 7:0 / /srv/data rw - ext4 /dev/loop0 rw"
    usb = "41 30 8:1 / /mnt/usb rw - ext4 /dev/sda1 rw"

    def found(file: LoopFile) -> Finding:
        loop = BlockDevice("loop0", (7, 0), "loop0", file=file)
        facts = board(also=(mount, usb), devices=(loop, *USB))
        return next(f for f in completeness.judge(facts).findings if f.what == "/srv/data")

    gone = found(LoopFile("/srv/x.img", (179, 2), is_deleted=True))
    assert (gone.kind, "the deleted file /srv/x.img" in gone.why) == (MISSING, True)
    assert "disks:" not in gone.hint
    elsewhere = found(LoopFile("/mnt/usb/x.img", (8, 1)))
    assert elsewhere.kind == MISSING
    assert "the file /mnt/usb/x.img" in elsewhere.why
    assert "`disks: [auto, /dev/sda]`" in elsewhere.hint
    loop = BlockDevice("loop0", (7, 0), "loop0", file=LoopFile("/srv/x.img", (179, 2)))
    facts = board(also=(mount,), devices=(loop,))
    facts = replace(facts, left_out_files=frozenset({"/srv/x.img"}))
    (excluded,) = completeness.judge(facts).findings
    assert (excluded.kind, excluded.what) == (MISSING, "/srv/data")
    assert "the file /srv/x.img, which `exclude`" in excluded.why
    assert "`include`" in excluded.hint
    # Of a work bench, beside the board: no disk that the settings could name.
    assert "disks:" not in found(LoopFile("/home/x.img", (99, 1))).hint


@pytest.mark.parametrize(
    ("device", "is_told"), [("zram0", False), ("ram1", False), ("nbd0", False), ("vdb", True)]
)
def test_devices_that_are_no_disks_are_no_alarm(device: str, *, is_told: bool) -> None:
    mount = f"40 30 252:0 / /srv rw - ext4 /dev/{device} rw"
    facts = board(also=(mount,), devices=(BlockDevice(device, (252, 0), device),))

    assert said(facts) == ([(MISSING, "/srv")] if is_told else [])


@pytest.mark.parametrize(
    "mount",
    [
        "40 30 0:60 / /srv rw - zfs tank/srv rw",
        "40 30 0:61 / /srv rw - ubifs ubi0:data rw",
        "40 30 0:62 /@srv /srv rw - btrfs /dev/root rw",
        "40 30 8:99 / /srv rw - ext4 /dev/gone rw",
    ],
)
def test_what_cannot_be_told_apart_is_told(mount: str) -> None:
    assert said(board(also=(mount,))) == [(MISSING, "/srv")]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (f"UUID={OTHER_UUID} /data ext4 defaults 0 2", [(MISSING, "/data")]),
        (f"/dev/disk/by-uuid/{OTHER_UUID} /data ext4 ro", [(MISSING, "/data")]),
        (f"UUID={OTHER_UUID} none swap sw 0 0", [(MISSING, f"UUID={OTHER_UUID}")]),
        (f"UUID={OTHER_UUID} /data ext4 nofail 0 2", []),
        (f"UUID={OTHER_UUID} /data ext4 noauto 0 2", []),
        ("/dev/disk/by-partuuid/9A3C5D2E-02 /data ext4 defaults 0 2", []),
        ('LABEL="rootfs" /data ext4 defaults 0 2', []),
        ("LABEL=ROOTFS /data ext4 defaults 0 2", [(MISSING, "/data")]),
        ("/dev/sda1 /data ext4 defaults 0 2", [(MISSING, "/data")]),
        ("/dev/zram0 none swap sw 0 0", []),
        ("/data.img /data ext4 loop 0 2", []),
    ],
)
def test_fstab_names_what_must_be_there(
    line: str, expected: list[tuple[FindingKind, str]]
) -> None:
    assert said(board(fstab=line)) == expected


def test_a_device_of_fstab_that_leads_to_a_captured_partition_is_known() -> None:
    facts = board(fstab="/dev/root-now /x ext4 defaults 0 0")

    assert said(facts) == [(MISSING, "/x")]
    assert said(replace(facts, devices_of={"/dev/root-now": (179, 2)})) == []


@pytest.mark.parametrize(
    ("root", "is_told"),
    [
        ("PARTUUID=9a3c5d2e-02", False),
        ("/dev/mmcblk0p2", False),
        ("", False),
        ("/dev/nfs", False),
        ("/dev/root", False),
        ("PARTUUID=11223344-02", True),
        ("/dev/sda2", True),
    ],
)
def test_root_of_the_command_line_must_be_captured(root: str, *, is_told: bool) -> None:
    facts = board(root_argument=root, devices_of={"/dev/mmcblk0p2": (179, 2)})

    assert said(facts) == ([(MISSING, f"root={root}")] if is_told else [])


def mapped(kind: str) -> BoardFacts:
    """Return a board whose root is a mapping or an array on sda2; /boot is sda1."""
    devices = (
        *USB,
        BlockDevice("sda2", (8, 2), "sda"),
        BlockDevice("dm-0", (254, 0), "dm-0", below=("sda2",), mapping=kind),
    )
    root = "30 1 254:0 / / rw - ext4 /dev/mapper/top rw"
    part = PartFacts(1, "/dev/dm-0", EXT4, (254, 0), mount=lines(root)[0], place="/")
    return BoardFacts(
        disks=(DiskFacts("/dev/dm-0"),),
        parts=(part,),
        mounts=placed(root, SRV.replace("/srv", "/boot")),
        devices=devices,
        root_argument="/dev/mapper/top",
        devices_of={"/dev/mapper/top": (254, 0)},
    )


@pytest.mark.parametrize("kind", ["CRYPT", "LVM", "md", "bcache", "mapping", "something new"])
def test_a_root_on_luks_lvm_or_md_lacks_all_that_is_below_it(kind: str) -> None:
    verdict = completeness.judge(mapped(kind))

    assert [(finding.kind, finding.what) for finding in verdict.findings] == [
        (MISSING, "/dev/sda"),
        (NOT_REBUILDABLE, "/dev/dm-0"),
        (MISSING, "/boot"),
    ]
    is_secret = any("in the clear" in finding.why for finding in verdict.findings)
    assert is_secret == (kind == "CRYPT")


def test_an_array_lacks_each_of_its_disks() -> None:
    facts = mapped("md")
    array = BlockDevice("dm-0", (254, 0), "dm-0", below=("sda2", "sdb"), mapping="md")
    devices = (*facts.devices[:-1], array, BlockDevice("sdb", (8, 16), "sdb"))

    found = said(replace(facts, devices=devices))

    assert {what for kind, what in found if kind is MISSING} == {"/dev/sda", "/dev/sdb", "/boot"}


def test_a_disk_below_an_array_that_is_captured_as_well_is_not_missing() -> None:
    facts = mapped("md")

    found = said(replace(facts, disks=(DiskFacts("/dev/sda"), *facts.disks)))
    assert (MISSING, "/dev/sda") not in found
    assert (NOT_REBUILDABLE, "/dev/dm-0") in found


def test_mappings_that_lead_in_a_circle_hold_nobody_up() -> None:
    facts = mapped("LVM")
    circle = BlockDevice("sda", (8, 0), "sda", below=("dm-0",))

    assert said(replace(facts, devices=(circle, *facts.devices[1:])))


@pytest.mark.parametrize("members", [1, 2])
def test_a_volume_group_is_rebuilt_if_it_is_on_one_partition(members: int) -> None:
    group = LvmPv(
        uuid="p", group="data", group_uuid="g", extent_size=4 << 20, first_extent=1 << 20,
        members=members,
    )  # fmt: skip
    third = PartFacts(3, "/dev/mmcblk0p3", group, (179, 3), is_raw=True, holders=("dm-0",))
    facts = board()

    found = said(replace(facts, parts=(*facts.parts, third)))
    more = [(NOT_REBUILDABLE, "/dev/mmcblk0p3: volume group data")] if members > 1 else []
    assert found == more


@pytest.mark.parametrize(
    ("number", "spanning", "expected"),
    [
        (4, (), []),
        (1004, (), ["/dev/mmcblk0p3: volume group data", "/dev/x: volume group data"]),
        (4, ("root",), []),
        (501, ("root",), ["/dev/mmcblk0p3: volume group data", "/dev/x: volume group data"]),
    ],
)
def test_a_group_on_two_partitions_of_one_disk_is_rebuilt(
    number: int, spanning: tuple[str, ...], expected: list[str]
) -> None:
    group = LvmPv(
        uuid="p", group="data", group_uuid="g", extent_size=4 << 20, first_extent=1 << 20,
        members=2, spanning=spanning,
    )  # fmt: skip
    both = (
        PartFacts(3, "/dev/mmcblk0p3", group, (179, 3), is_raw=True, holders=("dm-0",)),
        PartFacts(number, "/dev/x", group, (179, 4), is_raw=True, holders=("dm-1",)),
    )
    facts = board()

    disks = (facts.disks[0], DiskFacts("/dev/sda"))
    facts = replace(facts, parts=(*facts.parts, *both), disks=disks)
    assert said(facts) == [(NOT_REBUILDABLE, what) for what in expected]
    chained = replace(facts, disks=(replace(disks[0], has_logical=True), disks[1]))
    assert bool(said(chained)) is bool(expected or spanning)


def test_an_open_volume_on_a_captured_partition() -> None:
    open_volume = BlockDevice("dm-0", (254, 0), "dm-0", below=("mmcblk0p3",), mapping="CRYPT")
    third = PartFacts(
        3, "/dev/mmcblk0p3", Raw(type="crypto_LUKS"), (179, 3), is_raw=True, holders=("dm-0",)
    )
    facts = board(
        also=("40 30 254:0 / /srv/safe rw - ext4 /dev/mapper/safe rw",),
        devices=(BlockDevice("mmcblk0p3", (179, 3), "mmcblk0"), open_volume),
        crypttab=(CrypttabEntry("safe", f"UUID={OTHER_UUID}", ()),),
        devices_of={"/dev/mapper/safe": (254, 0)},
    )
    facts = replace(facts, parts=(*facts.parts, third))

    assert said(facts) == [(MISSING, "/srv/safe"), (MISSING, "/dev/mmcblk0p3")]
    locked = replace(third, holders=())
    without = replace(facts, parts=(*facts.parts[:-1], locked), mounts=facts.mounts[:-1])
    assert said(without) == []


@pytest.mark.parametrize(
    ("options", "expected"), [((), [(MISSING, f"UUID={OTHER_UUID}")]), (("noauto",), [])]
)
def test_crypttab_names_a_volume_of_another_disk(
    options: tuple[str, ...], expected: list[tuple[FindingKind, str]]
) -> None:
    entry = CrypttabEntry("safe", f"UUID={OTHER_UUID}", options)

    assert said(board(crypttab=(entry,))) == expected


def test_a_member_of_an_array_is_refused_and_not_told_to_be_copied() -> None:
    member = PartFacts(
        3, "/dev/mmcblk0p3", Raw(type="linux_raid_member"), (179, 3), is_raw=True, holders=("md0",)
    )
    facts = board()

    assert said(replace(facts, parts=(*facts.parts, member))) == []


def test_a_mirror_is_whole_with_one_of_its_members() -> None:
    array = ArrayMember(uuid="a", version="1.2", members=2, first_byte=1 << 20)
    member = PartFacts(3, "/dev/mmcblk0p3", array, (179, 3), is_raw=True, holders=("md0",))
    inside = PartFacts(501, "/dev/md0", EXT4, (9, 0))
    other = PartFacts(
        4, "/dev/mmcblk0p4", Raw(type="linux_raid_member"), (179, 4), is_raw=True,
        is_left_out=True, holders=("md0",), twin=3,
    )  # fmt: skip
    facts = replace(board(), parts=(*board().parts, member, inside, other))

    (finding,) = completeness.judge(facts).findings
    assert (finding.kind, finding.what) == (FindingKind.LEFT_OUT, "/dev/mmcblk0p4")
    assert "of the same mirror as partition 3" in finding.why


LUKS = Luks(
    version=2, uuid=OTHER_UUID, cipher="aes-xts-plain64", key_bits=512, first_byte=16 << 20
)  # fmt: skip


def encrypted(line: str, *, tokens: tuple[str, ...] = (), captured: str = "") -> BoardFacts:
    """Return a board with a container in its third partition, and a line of crypttab."""
    luks = msgspec.structs.replace(LUKS, tokens=tokens)
    third = PartFacts(
        3, "/dev/mmcblk0p3", luks, (179, 3), names=frozenset({f"UUID={OTHER_UUID}"}), is_raw=True,
        holders=("dm-0",),
    )  # fmt: skip
    facts = board(crypttab=tuple(parse_crypttab(line)))
    keys = frozenset({captured} if captured else ())
    return replace(facts, parts=(*facts.parts, third), captured_keys=keys)


@pytest.mark.parametrize(
    ("line", "tokens", "is_told"),
    [
        (f"data UUID={OTHER_UUID} none luks", (), False),
        (f"data UUID={OTHER_UUID} /etc/keys/a luks", (), False),
        (f"data UUID={OTHER_UUID.upper()} /etc/keys/b luks", (), True),
        (f"data UUID={OTHER_UUID} - tpm2-device=auto", ("systemd-tpm2",), True),
        (f"data UUID={OTHER_UUID} none luks", ("clevis",), True),
        (f"data UUID={OTHER_UUID} none luks", ("systemd-recovery",), False),
    ],
)
def test_what_opens_a_container_that_a_rebuild_cannot_give_back_is_told(
    line: str, tokens: tuple[str, ...], *, is_told: bool
) -> None:
    found = said(encrypted(line, tokens=tokens, captured="/etc/keys/a"))

    what = (NOT_REBUILDABLE, "/dev/mmcblk0p3: data in crypttab")
    assert found == ([what] if is_told else [])


def test_a_key_that_the_owner_can_do_without_is_no_alarm() -> None:
    facts = encrypted(f"data UUID={OTHER_UUID} /etc/keys/b luks")

    assert said(facts, "data") == [(FindingKind.LEFT_OUT, "/dev/mmcblk0p3: data in crypttab")]


def test_tokens_of_a_container_that_crypttab_does_not_name_are_told() -> None:
    facts = encrypted("", tokens=("clevis",))

    assert said(facts) == [(NOT_REBUILDABLE, "/dev/mmcblk0p3: tokens")]


def test_features_of_an_f2fs_with_which_something_is_lost_are_told() -> None:
    kind = Other(type="f2fs", features=("encrypt", "verity"))

    found = said(board(root=root_part(kind, ROOT.replace("ext4", "f2fs"))))
    assert found == [
        (NOT_REBUILDABLE, "/dev/mmcblk0p2: encrypt"),
        (NOT_REBUILDABLE, "/dev/mmcblk0p2: verity"),
    ]


AT = "30 1 0:25 /@ / rw - btrfs /dev/mmcblk0p2 rw,subvolid=256,subvol=/@"
HOME = "33 30 0:25 /@home /home rw - btrfs /dev/mmcblk0p2 rw,subvolid=257,subvol=/@home"


def btrfs(mount: str, *subvolumes: Subvolume, also: tuple[str, ...] = ()) -> BoardFacts:
    numbers = {"/dev/mmcblk0p2": (179, 2)}
    return board(
        root=root_part(BTRFS, mount, subvolumes=subvolumes),
        mounts=placed(mount, FIRMWARE, *also, numbers=numbers),
    )


def test_btrfs_whose_top_the_kernel_does_not_show() -> None:
    facts = btrfs(AT, Subvolume("/@", is_captured=True), Subvolume("/@home"), also=(HOME,))

    found = completeness.judge(facts).findings

    assert [(finding.kind, finding.what) for finding in found] == [
        (MISSING, "/dev/mmcblk0p2: subvolume /@home"),
        (NOT_REBUILDABLE, "/dev/mmcblk0p2: subvolume /@"),
    ]
    assert "mounted at /home" in found[0].why
    assert said(facts, "/home")[0] == (LEFT_OUT, "/dev/mmcblk0p2: subvolume /@home")


def whole_btrfs(*subvolumes: Subvolume) -> BoardFacts:
    """Return a board whose btrfs is captured from its top, all subvolumes that are marked so."""
    return board(
        root=root_part(BTRFS, AT, subvolumes=subvolumes, is_whole=True),
        mounts=placed(AT, FIRMWARE, HOME, numbers={"/dev/mmcblk0p2": (179, 2)}),
    )


def test_btrfs_with_root_and_home_as_subvolumes_is_quiet() -> None:
    captured = (Subvolume("/@", is_captured=True), Subvolume("/@home", is_captured=True))

    assert said(whole_btrfs(*captured)) == []
    assert said(whole_btrfs(*captured, Subvolume("/odd"))) == [
        (MISSING, "/dev/mmcblk0p2: subvolume /odd")
    ]


def test_snapshots_are_left_out_and_what_is_in_them() -> None:
    facts = whole_btrfs(
        Subvolume("/@", is_captured=True),
        Subvolume("/old", is_snapshot=True),
        Subvolume("/old/var/lib/machines"),
        Subvolume("/older"),
    )

    assert said(facts) == [
        (LEFT_OUT, "/dev/mmcblk0p2: snapshot /old"),
        (LEFT_OUT, "/dev/mmcblk0p2: subvolume /old/var/lib/machines"),
        (MISSING, "/dev/mmcblk0p2: subvolume /older"),
    ]


def test_of_very_many_snapshots_that_are_left_out_the_rest_is_counted() -> None:
    many = [Subvolume(f"/s/{number}", is_snapshot=True) for number in range(300)]

    found = completeness.judge(whole_btrfs(*many)).findings
    assert {finding.kind for finding in found} == {LEFT_OUT}
    assert "250 more subvolumes" in found[-1].why
    odd = completeness.judge(whole_btrfs(*many, Subvolume("/odd"))).findings
    assert odd[-1].kind is MISSING


def test_btrfs_with_nested_subvolumes_and_snapshots() -> None:
    whole = AT.replace("/@", "/")
    facts = btrfs(whole, Subvolume("/var/lib/machines"), Subvolume("/old", is_snapshot=True))

    assert said(facts) == [
        (MISSING, "/dev/mmcblk0p2: subvolume /var/lib/machines"),
        (MISSING, "/dev/mmcblk0p2: snapshot /old"),
    ]
    assert said(facts, "/old", "/var/lib/machines") == [
        (LEFT_OUT, "/dev/mmcblk0p2: subvolume /var/lib/machines"),
        (LEFT_OUT, "/dev/mmcblk0p2: snapshot /old"),
    ]
    assert said(btrfs(whole)) == []


def test_of_very_many_snapshots_the_rest_is_counted() -> None:
    many = [Subvolume(f"/s/{number}", is_snapshot=True) for number in range(300)]

    found = completeness.judge(btrfs(AT.replace("/@", "/"), *many)).findings

    assert len(found) == 51
    assert "250 more subvolumes" in found[-1].why


def test_a_btrfs_over_two_devices() -> None:
    part = root_part(BTRFS, AT.replace("/@", "/"), members=("mmcblk0p2", "sda1"))

    assert said(board(root=part)) == [(NOT_REBUILDABLE, "/dev/mmcblk0p2: several devices")]
    assert said(board(root=replace(part, members=("mmcblk0p2",)))) == []


BIND = ROOT.replace("179:2 / /", "179:2 /deploy/a /")


def test_root_as_a_directory_of_its_partition() -> None:
    facts = board(
        root=root_part(mount=BIND),
        mounts=placed(BIND, FIRMWARE, "35 30 179:2 /deploy/b /other rw - ext4 /dev/mmcblk0p2 rw"),
    )

    found = completeness.judge(facts).findings

    assert [(finding.kind, finding.what) for finding in found] == [
        (MISSING, "/dev/mmcblk0p2"),
        (NOT_REBUILDABLE, "/dev/mmcblk0p2: /deploy/a"),
    ]
    assert "/other" in found[0].why


def test_binds_of_what_is_captured_whole_are_quiet() -> None:
    bind = "35 30 179:2 /srv/a /srv/b rw - ext4 /dev/mmcblk0p2 rw"

    assert said(board(also=(bind,))) == []


def test_an_a_b_board_with_a_spare_slot_is_quiet() -> None:
    spare = PartFacts(3, "/dev/mmcblk0p3", EXT4, (179, 3), is_raw=True)
    facts = board()

    assert said(replace(facts, parts=(*facts.parts, spare))) == []


def test_a_partition_that_the_owner_leaves_out_is_told_and_no_alarm() -> None:
    facts = board()
    spare = PartFacts(3, "/dev/mmcblk0p3", EXT4, (179, 3), is_raw=True, is_left_out=True)

    told = said(replace(facts, parts=(*facts.parts, spare)), "/dev/mmcblk0p3")

    assert told == [(FindingKind.LEFT_OUT, "/dev/mmcblk0p3")]


@pytest.mark.parametrize("feature", ["bigalloc", "casefold", "encrypt", "verity", "FEATURE_I30"])
def test_features_of_ext4_that_do_not_come_back(feature: str) -> None:
    kind = Ext4(
        uuid=UUID, block_size=4096, blocks=9, inode_size=256, inodes=9, features=("64bit", feature)
    )

    facts = board(root=root_part(kind))

    assert said(facts) == [(NOT_REBUILDABLE, f"/dev/mmcblk0p2: {feature}")]
    assert said(facts, f"/: {feature}") == [(LEFT_OUT, f"/dev/mmcblk0p2: {feature}")]


# As xfs shows them in /proc/mounts (Linux fs/xfs/xfs_super.c, xfs_fs_show_options).
@pytest.mark.parametrize(
    "option", ["usrquota", "uqnoenforce", "grpquota", "gqnoenforce", "prjquota", "pqnoenforce"]
)
def test_the_limits_of_quotas_of_an_xfs_are_not_kept(option: str) -> None:
    mount = f"{ROOT.replace('ext4', 'xfs')},{option}"
    facts = board(root=root_part(Other(type="xfs", uuid=UUID), mount))

    assert said(facts) == [(NOT_REBUILDABLE, "/dev/mmcblk0p2: quota")]
    assert said(facts, "/: quota") == [(LEFT_OUT, "/dev/mmcblk0p2: quota")]
    (told,) = completeness.judge(facts, ()).findings
    assert "xfs_quota -x -c 'dump -u -f FILE' /" in told.hint


def test_project_ids_themselves_are_kept() -> None:
    for options in ("", ",noquota"):
        mount = ROOT.replace("ext4", "xfs") + options
        assert said(board(root=root_part(Other(type="xfs", uuid=UUID), mount))) == []
    kind = Ext4(
        uuid=UUID, block_size=4096, blocks=9, inode_size=256, inodes=9, features=("project",)
    )
    assert said(board(root=root_part(kind))) == []


def test_a_journal_that_fstab_names_is_not_there_after_a_rebuild() -> None:
    options = "noatime,journal_path=/dev/mmcblk0p5"
    facts = board(fstab=f"PARTUUID=9a3c5d2e-02 / ext4 {options} 0 1\n")

    assert said(facts) == [(NOT_REBUILDABLE, "/: journal")]
    assert said(facts, "/: journal") == [(LEFT_OUT, "/: journal")]
    (told,) = completeness.judge(facts).findings
    assert "take journal_path=/dev/mmcblk0p5 out of fstab" in told.hint


def test_the_limits_of_quotas_of_an_ext4_are_not_kept() -> None:
    kind = Ext4(
        uuid=UUID, block_size=4096, blocks=9, inode_size=256, inodes=9,
        features=("project", "quota"),
    )  # fmt: skip
    facts = board(root=root_part(kind))

    assert said(facts) == [(NOT_REBUILDABLE, "/dev/mmcblk0p2: quota")]
    (told,) = completeness.judge(facts, ()).findings
    assert "repquota -ugP /dev/mmcblk0p2" in told.hint


def test_an_f2fs_with_project_quota_loses_ids_and_limits() -> None:
    mount = ROOT.replace("ext4", "f2fs") + ",prjquota"
    facts = board(root=root_part(Other(type="f2fs", uuid=UUID), mount))

    assert said(facts) == [
        (NOT_REBUILDABLE, "/dev/mmcblk0p2: project"),
        (NOT_REBUILDABLE, "/dev/mmcblk0p2: quota"),
    ]


def test_a_realtime_section_of_an_xfs_does_not_come_back() -> None:
    mount = ROOT.replace("ext4", "xfs") + ",rtdev=/dev/sdb1"
    facts = board(root=root_part(Other(type="xfs", uuid=UUID), mount))

    assert said(facts) == [(NOT_REBUILDABLE, "/dev/mmcblk0p2: realtime")]


def test_bytes_between_partitions_and_areas_of_an_emmc() -> None:
    around = DiskFacts(
        "/dev/mmcblk0",
        (UsedGap(4096, 8192, 1),),
        (UncapturedArea("/dev/mmcblk0boot0", "it is in use"),),
        has_protected_memory=True,
    )
    facts = board(disks=(around,))

    assert said(facts) == [
        (MISSING, "/dev/mmcblk0, after partition 1"),
        (MISSING, "/dev/mmcblk0boot0"),
        (LEFT_OUT, "/dev/mmcblk0rpmb"),
    ]
    assert [kind for kind, _ in said(facts, "/dev/mmcblk0boot?", "/dev/mmcblk0, after *")] == [
        LEFT_OUT,
        LEFT_OUT,
        LEFT_OUT,
    ]


def test_what_could_not_be_found_out_is_told() -> None:
    assert said(board(doubts=(Doubt("/etc/crypttab", "it cannot be read"),))) == [
        (MISSING, "/etc/crypttab")
    ]


def test_swap_of_the_card_is_quiet() -> None:
    swap = PartFacts(
        3, "/dev/mmcblk0p3", Swap(uuid=OTHER_UUID), (179, 3), frozenset({f"UUID={OTHER_UUID}"})
    )
    facts = board(fstab=f"UUID={OTHER_UUID} none swap sw 0 0")

    assert said(replace(facts, parts=(*facts.parts, swap))) == []


NAMES = st.binary(max_size=12).map(lambda name: name.decode(errors="surrogateescape"))


@given(spec=NAMES, point=NAMES, words=st.lists(NAMES, max_size=3))
def test_no_name_whatever_is_too_odd(spec: str, point: str, words: list[str]) -> None:
    entry = FstabEntry(f"/dev/{spec}", f"/{point}", "ext4", ("defaults",))
    facts = board(crypttab=(CrypttabEntry(point, f"UUID={spec}", ()),))
    facts = replace(facts, fstab=(*facts.fstab, entry))

    for finding in completeness.judge(facts, words).findings:
        assert f"{finding.what}{finding.why}{finding.hint}".encode()


@pytest.mark.parametrize("place", ["/", "/etc"])
def test_the_system_itself_as_an_overlay_is_not_called_needless(place: str) -> None:
    over = f"40 30 0:55 / {place} rw - overlay overlay rw,lowerdir=/a,upperdir=/b"

    assert completeness.judge(board(also=(over,))).not_needed == ()
