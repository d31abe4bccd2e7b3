"""What a card is made of: partition table, partitions, and the file systems in them."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import msgspec

if TYPE_CHECKING:
    from collections.abc import Callable

DISK_STEP = 1000
"""What partitions of each further disk are numbered on by: the first one of a board's second disk
is 1001. No table has so many slots in use."""
PRIMARIES = 4
"""Slots of an MBR beside its logical partitions."""
DISKS_MAX = 8
"""Disks in a capture."""


class Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Plain frozen data, decoded strictly."""


VOLUME_BASE = 500
"""What volumes inside partitions are numbered on by: the first one of a board's first disk is 501,
of its second 1501. No table has so many slots in use."""


class TableLabel(StrEnum):
    """The kind of partition table."""

    DOS = "dos"
    """MBR: UEFI Specification 5.2.1."""
    GPT = "gpt"
    """GUID Partition Table: UEFI Specification 5.3."""
    NONE = "none"
    """A file system on the whole device."""


class Partition(Record, frozen=True, kw_only=True):
    """One partition; sizes in sectors of the table's sector size.

    Attributes:
        number: names it in the capture, 1-based: its slot, on a board's first disk.
        slot: where it is in the partition table, if that is not its number; else 0. Logical
            partitions of an MBR are in slots from 5 on.
        type: MBR: type in hexadecimal (`c`, `83`); GPT: type GUID in upper case.
        uuid: GPT: unique partition GUID in upper case; MBR: "".
        attrs: GPT: attributes as sfdisk writes them, such as "RequiredPartition GUID:60".
    """

    number: int
    slot: int = 0
    start: int
    size: int
    type: str
    uuid: str = ""
    name: str = ""
    attrs: str = ""
    bootable: bool = False

    @property
    def end(self) -> int:
        """First sector behind the partition."""
        return self.start + self.size

    @property
    def in_table(self) -> int:
        """The slot of the partition table that it is in."""
        return self.slot or self.number


class Volume(Record, frozen=True, kw_only=True):
    """A volume inside a partition, or inside another volume; sizes in sectors of the disk.

    Attributes:
        number: names it in the capture: `VOLUME_BASE` and on, on the first disk.
        of: number of the partition or volume that it is in.
        name: of a logical volume, of an array, or of the mapping of an opened encrypted container.
        group: name of a logical volume's group; "" for anything else.
        array: what the kernel called an array, such as md0; "" for anything else.
        uuid: of a logical volume, as LVM writes it, or of an array, as mdadm does.
        start: where a rebuild puts it if nothing changes its size: logical volumes one after the
            other, what an encrypted container holds behind its header.
        grain: what start, counted from the first volume, and size are multiples of.
        was: how a logical volume was laid out, such as "striped"; "" for in one piece.
        behind: sectors that what it is in needs behind it for itself, if its size changes.
    """

    number: int
    of: int
    name: str = ""
    group: str = ""
    array: str = ""
    uuid: str = ""
    start: int
    size: int
    grain: int = 1
    was: str = ""
    behind: int = 0

    @property
    def end(self) -> int:
        """First sector behind the volume."""
        return self.start + self.size

    @property
    def words(self) -> str:
        """What people call it."""
        if self.group:
            return f"logical volume {self.group}/{self.name}"
        if self.array:
            return f"content of the array {self.array}"
        return f"inside of the encrypted container {self.name}"

    @property
    def nodes(self) -> tuple[str, ...]:
        """The names of its device; LVM doubles each dash in them (lvm(8), NAMES).

        Those of an array are mdadm's (mdadm(8), DEVICE NAMES; its udev-md-raid-arrays.rules).
        """
        if self.array:
            own = f"/dev/{self.array}", f"/dev/disk/by-id/md-uuid-{self.uuid}"
            local = self.name.rpartition(":")[2]
            by_name = f"/dev/md/{local}", f"/dev/disk/by-id/md-name-{self.name}"
            return (*own, *by_name) if local else own
        if not self.group:
            return (f"/dev/mapper/{self.name}",) if self.name else ()
        group, name = (word.replace("-", "--") for word in (self.group, self.name))
        return f"/dev/mapper/{group}-{name}", f"/dev/{self.group}/{self.name}"


class Disk(Record, frozen=True, kw_only=True):
    """A card with its partition table.

    Attributes:
        size: bytes.
        device: what the board's kernel called it, such as /dev/sda; "" for unknown.
        sector_size: logical sector in bytes; 512 on cards.
        id: MBR: disk signature as 0x%08x; GPT: disk GUID in upper case.
        first_lba, last_lba: GPT's usable range, else 0.
        table_length: GPT's number of entries, else 0.
        entries_lba: sector of a GPT's first entry array where that does not follow its header
            (some boot loaders are there); 0 = where it always is.
        volumes: what is inside partitions that are encrypted, or that LVM divides; each behind
            what it is in.
        emmc_boot: of an eMMC, which area it boots from (see `model.emmc_boot`); None for unknown.
    """

    size: int
    sector_size: int = 512
    label: TableLabel
    id: str = ""
    first_lba: int = 0
    last_lba: int = 0
    table_length: int = 0
    entries_lba: int = 0
    partitions: tuple[Partition, ...] = ()
    volumes: tuple[Volume, ...] = ()
    device: str = ""
    model: str = ""
    serial: str = ""
    emmc_boot: int | None = None

    def partition(self, number: int) -> Partition:
        """Return the partition in this slot; KeyError when there is none."""
        for partition in self.partitions:
            if partition.number == number:
                return partition
        raise KeyError(number)

    @property
    def areas(self) -> tuple[Partition | Volume, ...]:
        """All that can hold something: the partitions, and the volumes in them."""
        return (*self.partitions, *self.volumes)

    @property
    def has_logical(self) -> bool:
        """Whether it has logical partitions, which are a chain within another (MBR)."""
        is_dos = self.label is TableLabel.DOS
        return is_dos and any(one.in_table > PRIMARIES for one in self.partitions)

    def area(self, number: int) -> Partition | Volume:
        """Return the partition or volume with this number; KeyError when there is none."""
        return {area.number: area for area in self.areas}[number]

    def volumes_of(self, number: int) -> tuple[Volume, ...]:
        """Return the volumes right inside a partition or volume."""
        return tuple(volume for volume in self.volumes if volume.of == number)

    def partition_below(self, number: int) -> Partition:
        """Return the partition that something is, or is in; KeyError when there is none."""
        area = self.area(number)
        return self.partition_below(area.of) if isinstance(area, Volume) else area

    def partuuid(self, number: int) -> str:
        """Return the PARTUUID= of this slot (Linux block/partitions)."""
        if self.label is TableLabel.DOS:
            slots = {partition.number: partition.in_table for partition in self.partitions}
            return f"{int(self.id, 16):08x}-{slots.get(number, number):02x}"
        return self.partition(number).uuid.lower()

    def node(self, partition: Partition) -> str:
        """Return the device node of a partition: sda1, but mmcblk0p1 after a digit."""
        if self.label is TableLabel.NONE:
            return self.device
        infix = "p" if self.device[-1:].isdigit() else ""
        return f"{self.device}{infix}{partition.in_table}"

    def by_slot(self) -> Disk:
        """Return the disk with each partition numbered by its slot, as its table has them."""
        return self._renumbered(lambda partition: (partition.in_table, 0))

    def as_further(self, place: int) -> Disk:
        """Return it with the numbers that it has as a board's disk 2, 3, ...; 1 leaves them."""
        base = DISK_STEP * (place - 1)
        return self._renumbered(lambda one: (base + one.in_table, one.in_table if base else 0))

    def numbered_as(self, other: Disk) -> Disk:
        """Return it with the numbers that another has in the same slots; else those of its own."""
        numbers = {partition.in_table: partition for partition in other.partitions}
        return self._renumbered(
            lambda one: (
                (numbers[one.in_table].number, numbers[one.in_table].slot)
                if one.in_table in numbers
                else (one.in_table, 0)
            )
        )

    def _renumbered(self, numbers: Callable[[Partition], tuple[int, int]]) -> Disk:
        partitions, new = [], dict[int, int]()
        for partition in self.partitions:
            number, slot = numbers(partition)
            new[partition.number] = number
            partitions.append(msgspec.structs.replace(partition, number=number, slot=slot))
        base = max(new.values(), default=0) // DISK_STEP * DISK_STEP
        new |= {volume.number: base + volume.number % DISK_STEP for volume in self.volumes}
        volumes = tuple(
            msgspec.structs.replace(volume, number=new[volume.number], of=new[volume.of])
            for volume in self.volumes
            if volume.of in new
        )
        return msgspec.structs.replace(self, partitions=tuple(partitions), volumes=volumes)


class Ext4(Record, frozen=True, kw_only=True, tag_field="kind", tag="ext4"):
    """Parameters of an ext2, ext3 or ext4 (Linux Documentation/filesystems/ext4/super.rst).

    Attributes:
        features: names as e2fsprogs writes them, without the states of a mounted one
            (needs_recovery, orphan_present).
        hash_seed: seed of the directory hash, a UUID.
        reserved_blocks: blocks kept for reserved_uid.
        errors: continue, remount-ro or panic.
        mount_defaults: default mount options as tune2fs -o takes them.
        mount_opts: extended mount options (tune2fs -E mount_opts=).
        journal_blocks: blocks of the internal journal; 0 = none.
        max_mount_count, check_interval: of the periodic check; -1 and 0 = never.
    """

    uuid: str
    label: str = ""
    block_size: int
    blocks: int
    inode_size: int
    inodes: int
    features: tuple[str, ...]
    hash_seed: str = ""
    reserved_blocks: int = 0
    reserved_uid: int = 0
    reserved_gid: int = 0
    errors: str = "continue"
    mount_defaults: tuple[str, ...] = ()
    mount_opts: str = ""
    journal_blocks: int = 0
    max_mount_count: int = -1
    check_interval: int = 0
    stride: int = 0
    stripe_width: int = 0
    used_blocks: int = 0


class Fat(Record, frozen=True, kw_only=True, tag_field="kind", tag="fat"):
    """Parameters of a FAT (Microsoft, FAT: General Overview of On-Disk Format).

    Attributes:
        bits: 12, 16 or 32, decided by the count of clusters alone.
        volume_id: 32-bit number; people write it as A40D-85E7.
        oem: OEM name of the boot sector, as text.
    """

    bits: int
    volume_id: int
    label: str = ""
    sector_size: int = 512
    sectors_per_cluster: int
    reserved_sectors: int
    fats: int = 2
    root_entries: int = 0
    sectors: int
    clusters: int
    used_clusters: int = 0
    hidden_sectors: int = 0
    media: int = 0xF8
    oem: str = ""

    @property
    def uuid(self) -> str:
        """The volume id as UUID= in fstab(5) writes it."""
        return f"{self.volume_id >> 16:04X}-{self.volume_id & 0xFFFF:04X}"


class Swap(Record, frozen=True, kw_only=True, tag_field="kind", tag="swap"):
    """A swap area: nothing but its identity is kept."""

    uuid: str
    label: str = ""
    page_size: int = 4096


class Raw(Record, frozen=True, kw_only=True, tag_field="kind", tag="raw"):
    """A partition copied as it is, zeroes left out (content file raw-<n>.bin, sparse).

    Attributes:
        type: what blkid calls it, or "" for unknown.
        digest: SHA-256 of the whole partition's bytes, hexadecimal.
        size: bytes.
    """

    type: str = ""
    digest: str = ""
    size: int = 0


ARRAY = "linux_raid_member"
"""What blkid calls a member of an array (md(4))."""


class Container(Record, frozen=True, kw_only=True, tag_field="kind", tag="container"):
    """An extended MBR partition, which only holds the logical ones."""


class LvmPv(Record, frozen=True, kw_only=True, tag_field="kind", tag="lvm-pv"):
    """What LVM divides into logical volumes, which are volumes of their own (lvm(8)).

    Attributes:
        uuid: of the physical volume, as LVM writes it.
        group: name of its volume group.
        group_uuid: of that.
        extent_size: bytes; every logical volume has a whole number of extents.
        first_extent: byte at which the first extent begins.
        members: physical volumes of the group.
        spanning: names of logical volumes that are on several of them.
    """

    uuid: str
    group: str
    group_uuid: str
    extent_size: int
    first_extent: int
    members: int = 1
    spanning: tuple[str, ...] = ()


class ArrayMember(Record, frozen=True, kw_only=True, tag_field="kind", tag="array-member"):
    """The member of a mirror (md(4), RAID1) with whose partition its content is captured.

    Attributes:
        uuid: of the array, as mdadm writes it.
        name: of the array, as it is on the disk: pier-3:root.
        version: of what is on the disk: 1.0, 1.1 or 1.2.
        members: that the array is to have.
        first_byte: at which the content begins.
    """

    uuid: str
    name: str = ""
    version: str
    members: int
    first_byte: int


TOKEN = re.compile(r"[0-9A-Za-z][0-9A-Za-z._-]{0,63}")
"""What a kind of token in a header of LUKS2 is called."""


class Luks(Record, frozen=True, kw_only=True, tag_field="kind", tag="luks"):
    """An encrypted container, whose content is a volume of its own. No keys, nor anything of them.

    Sources: LUKS On-Disk Format Specification 1.2.3; LUKS2 On-Disk Format Specification 1.1.1.

    Attributes:
        version: 1 or 2.
        cipher: such as aes-xts-plain64.
        key_bits: of the key that encrypts the content.
        sector_size: bytes that are encrypted at a time.
        hash: of the header's digests.
        first_byte: at which the content begins.
        kdf: how keys were made of passphrases: pbkdf2, argon2i or argon2id.
        kdf_memory: KiB that this took, as much as the board has for it; 0 for none.
        kdf_time: rounds of it.
        tokens: kinds of what else had opened it, as its header names them (LUKS2).
    """

    version: int
    uuid: str
    label: str = ""
    cipher: str
    key_bits: int
    sector_size: int = 512
    hash: str = ""
    first_byte: int
    kdf: str = ""
    kdf_memory: int = 0
    kdf_time: int = 0
    tokens: tuple[str, ...] = ()


class Other(Record, frozen=True, kw_only=True, tag_field="kind", tag="other"):
    """A file system whose files are kept but which is re-made with default parameters.

    Attributes:
        type: the kernel's name, such as btrfs, xfs or f2fs.
        features: of an f2fs, those with which something is lost, as mkfs.f2fs names them.
    """

    type: str
    uuid: str = ""
    label: str = ""
    size: int = 0
    features: tuple[str, ...] = ()


SUBVOLUME_STEP = 10**6
"""What subvolumes are numbered by: in partition 2, that with the id 256 is 2000256."""


def part_words(number: int) -> str:
    """Return what people call a part: a partition's number, or that and a subvolume's id."""
    partition, id_ = divmod(number, SUBVOLUME_STEP)
    return f"{partition}, subvolume {id_}" if partition else str(id_)


class Subvolume(Record, frozen=True, kw_only=True, tag_field="kind", tag="subvolume"):
    """A subvolume of a btrfs, which has an entry for each: a tree with inodes of its own.

    Attributes:
        of: number of the partition.
        path: from the top of the file system, without a slash at its beginning.
        is_read_only: whether nothing can be written in it.
        is_default: whether it is what is mounted where nobody says which.
    """

    of: int
    path: str
    is_read_only: bool = False
    is_default: bool = False


FileSystem = Ext4 | Fat | Swap | Raw | Container | LvmPv | Luks | ArrayMember | Other | Subvolume


class Need(NamedTuple):
    """What a tree needs of its file system.

    Attributes:
        inodes: that an ext4 must have in all; 0 elsewhere.
        size: bytes that the partition must have.
        blocks: that must be free in an ext4 while it is empty; 0 elsewhere.
    """

    inodes: int
    size: int
    blocks: int = 0
