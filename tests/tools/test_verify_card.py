"""The check of a finished card: other tools change one thing, and the check must name it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.disks import boot_gap
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import LayoutError, SecurityError, VerificationError
from holdstill.filesystems.ext4 import ext4_inodes, ext4_reader
from holdstill.filesystems.fat import fat_reader
from holdstill.filesystems.file_tree import Content
from holdstill.model import pieces
from holdstill.model.entries import Entry, EntryType, Omitted
from holdstill.model.layout import Ext4, Fat, Other, Swap
from holdstill.system import byte_source
from holdstill.verify import card_check, card_report
from support import cards, loop, programs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from holdstill.model.layout import Disk
    from holdstill.model.manifest import Manifest
    from holdstill.verify.card_report import CardReport

SCRIPT = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=131072, type=c, bootable
start=139264, size=131072, type=83
start=270336, size=20480, type=5
start=272384, size=8192, type=82
start=282624, size=2048, type=da
"""
SIZE, SECTOR = 160 << 20, 512
BOOT, ROOT, CONTAINER, SWAP, ODD = 1, 2, 3, 5, 6
STARTS = {BOOT: 8192, ROOT: 139264, SWAP: 272384, ODD: 282624}
LOADER = GapExtent(8192, b"loader".ljust(4096, b"."))


@dataclass(frozen=True)
class Card:
    """A finished card, and the capture that it was made from."""

    image: Path
    manifest: Manifest
    entries: dict[int, list[Entry]]

    def offset(self, part: int) -> int:
        return STARTS[part] * SECTOR

    def check(
        self, *, disk: Disk | None = None, expected: Callable[[int], Iterable[Entry]] | None = None
    ) -> CardReport:
        return card_check.check_card(
            self.image,
            self.manifest,
            disk=disk,
            expected=expected or self.entries.__getitem__,
            gap=[LOADER],
        )

    def found(self) -> list[str]:
        """Return the differences as people read them."""
        return [str(difference) for difference in self.check().differences]

    def debugfs(self, *commands: str) -> None:
        script = "\n".join(commands).encode() + b"\n"
        place = f"{self.image}?offset={self.offset(ROOT)}"
        programs.run("debugfs", "-w", "-f", "-", place, stdin=script)

    def overwrite(self, at: int, data: bytes) -> None:
        with self.image.open("r+b") as file:
            file.seek(at)
            file.write(data)


@pytest.fixture
def made(tmp_path: Path) -> Card:
    image = loop.partitioned_image(tmp_path / "card.img", size=SIZE, script=SCRIPT)
    _fill(image, tmp_path / "tree")
    disk = cards.table_of(image)
    area = b"odd".ljust(2048 * SECTOR, b"\0")
    listed = pieces.of_reader(len(area), pieces.PIECE, lambda at, size: area[at : at + size])
    odd = listed.digest().hex()
    known = cards.file_systems_of(image, disk, raw={ODD: odd})
    with byte_source.opened(image) as opened:
        boot, root = (
            opened.window(STARTS[number] * SECTOR, size * SECTOR)
            for number, size in ((BOOT, 131072), (ROOT, 131072))
        )
        entries = {
            BOOT: list(fat_reader.FatReader(boot).entries(Content.HASHED)),
            ROOT: list(ext4_reader.Ext4Reader(root).entries(Content.HASHED)),
        }
    return Card(image, cards.manifest_of(disk, known), entries)


def _fill(image: Path, tree: Path) -> None:
    tree.mkdir()
    (tree / "readings").write_bytes(b"1.42 m\n" * 1000)
    (tree / "folder").mkdir()
    (tree / "folder" / "calibration").write_bytes(b"offset: 3")
    (tree / "link").symlink_to("folder/calibration")
    offset = f"offset={STARTS[ROOT] * SECTOR}"
    programs.run(
        "mke2fs", "-q", "-F", "-t", "ext4", "-L", "root", "-E", offset, "-d", tree, image, "64M"
    )
    programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOT", "-h", "8192",
                 "--offset", "8192", image, "65536")  # fmt: skip
    place = f"{image}@@{STARTS[BOOT] * SECTOR}"
    programs.run("mcopy", "-i", place, tree / "readings", "::/config.txt")
    with loop.blank_image(tree.parent / "swap", size=8192 * SECTOR).open("rb") as blank:
        programs.run("mkswap", "-q", "-L", "still", tree.parent / "swap")
        area = blank.read()
    with image.open("r+b") as file:
        for at, data in ((STARTS[SWAP], area), (STARTS[ODD], b"odd"), (16, LOADER.data)):
            file.seek(at * SECTOR)
            file.write(data)


def test_an_untouched_card_is_exact(made: Card) -> None:
    report = made.check()

    assert report.differences == ()
    assert report.is_exact
    assert (report.entries, report.files) == (8, 3)
    assert report.content_bytes == 2 * 7000 + 9
    assert report.unchecked == ()
    report.raise_if_different()


@pytest.mark.parametrize(
    ("command", "path", "field"),
    [
        ("sif /readings mode 0100600", "readings", "mode"),
        ("sif /readings uid 70000", "readings", "uid"),
        ("sif /readings gid 5", "readings", "gid"),
        ("sif /readings mtime_extra 4", "readings", "mtime_ns"),
        ("sif /folder mtime 20200101000000", "folder", "mtime_ns"),
        ("sif /folder/calibration flags 0x80040", "folder/calibration", "flags"),
        ("ea_set /link user.note x", "link", "xattrs"),
        ("sif /readings size 6999", "readings", "size"),
    ],
)
def test_one_changed_field_of_one_file_is_named(
    made: Card, command: str, path: str, field: str
) -> None:
    made.debugfs(command)

    report = made.check()

    named = {(d.part, d.path, d.field) for d in report.differences}
    assert (ROOT, path, field) in named
    assert {(part, where) for part, where, _ in named} == {(ROOT, path)}
    with pytest.raises(VerificationError, match=f"/{path}: {field}"):
        report.raise_if_different()


def test_one_changed_byte_of_a_file_is_named(made: Card) -> None:
    with byte_source.opened(made.image) as opened:
        volume = ext4_reader.Ext4Reader(opened.window(made.offset(ROOT), 131072 * SECTOR))
        inode = volume.inode(dict(volume.directory(volume.inode(ext4_inodes.ROOT)))[b"readings"])
        piece = next(volume.pieces(inode))
    made.overwrite(made.offset(ROOT) + piece.physical * volume.block_size + 700, b"#")

    (difference,) = made.check().differences

    assert (difference.part, difference.path, difference.field) == (ROOT, "readings", "digest")
    assert difference.wanted == hashlib.sha256(b"1.42 m\n" * 1000).hexdigest()


def test_a_missing_and_a_strange_file_are_named(made: Card) -> None:
    made.debugfs("rm /folder/calibration", "mkdir /folder/strange")

    found = made.found()

    assert "partition 2, /folder/calibration: entry is missing" in found
    assert "partition 2, /folder/strange: entry is not in the capture" in found


def test_files_on_the_fat_are_checked_too(made: Card) -> None:
    place = f"{made.image}@@{made.offset(BOOT)}"
    programs.run("mattrib", "-i", place, "+h", "::/config.txt")

    assert made.found() == ["partition 1, /config.txt: flags is 0x22, not 0x20"]


def test_names_cannot_play_tricks_on_a_terminal(made: Card) -> None:
    made.debugfs("mkdir /\x1b[31mred")

    assert made.found()[-1].startswith("partition 2, /\\x1b[31mred: entry is not in the capture")


@pytest.mark.parametrize(
    ("words", "field"),
    [
        (["-L", "other"], "label"),
        (["-U", "3e6be9de-8139-11d1-9106-a43f08d823a6"], "uuid"),
        (["-e", "panic"], "errors"),
        (["-o", "nodelalloc"], "mount_defaults"),
        (["-r", "100"], "reserved_blocks"),
        (["-O", "^has_journal"], "features"),
        (["-c", "7"], "max_mount_count"),
    ],
)
def test_a_changed_parameter_of_the_ext4_is_named(
    made: Card, tmp_path: Path, words: list[str], field: str
) -> None:
    apart = tmp_path / "apart.img"  # tune2fs knows no offset
    whole = made.image.read_bytes()
    apart.write_bytes(whole[made.offset(ROOT) :][: 131072 * SECTOR])
    programs.run("tune2fs", *words, apart)
    made.overwrite(made.offset(ROOT), apart.read_bytes())

    assert field in {d.field for d in made.check().differences}


@pytest.mark.parametrize(
    ("part", "at", "data", "said"),
    [
        (BOOT, 67, b"\1\2\3\4", "partition 1: volume_id is 0x4030201"),
        (BOOT, 65, b"\1", "partition 1: mark is in use, not clean"),
        (SWAP, 1052, b"moved", "partition 5: label is moved, not still"),
        (ODD, 1048575, b"!", "partition 6: digest is "),
    ],
)
def test_other_partitions_are_checked_by_their_kind(
    made: Card, part: int, at: int, data: bytes, said: str
) -> None:
    made.overwrite(made.offset(part) + at, data)

    (found,) = made.found()

    assert found.startswith(said)


def test_a_changed_and_a_strange_piece_of_boot_gap_are_named(made: Card) -> None:
    made.overwrite(8200, b"!")
    made.overwrite(1 << 20, b"left over")

    found = made.found()

    assert [line.split(" is ")[0] for line in found] == [
        "disk: boot gap at byte 8192",
        "disk: boot gap at byte 8192",
        "disk: boot gap at byte 1048576",
    ]


def test_a_table_that_differs_is_named(made: Card) -> None:
    programs.run("sfdisk", "--disk-id", made.image, "0x11223344")
    programs.run("sfdisk", "--part-type", made.image, "2", "7")
    programs.run("sfdisk", "--activate", made.image, "2")

    assert made.found() == [
        "disk: table's id is 0x11223344, not 0x9a3c5d2e",
        "partition 1: bootable is False, not True",
        "partition 2: type is 7, not 83",
        "partition 2: bootable is True, not False",
    ]


def test_places_count_when_the_plan_is_known(made: Card) -> None:
    disk = made.manifest.disk
    moved = [
        msgspec.structs.replace(p, size=p.size - 8) if p.number == ODD else p
        for p in disk.partitions
    ]

    report = made.check(disk=msgspec.structs.replace(disk, partitions=tuple(moved)))

    assert [str(d) for d in report.differences] == ["partition 6: size is 2048, not 2040"]


def test_a_lost_partition_is_named(made: Card) -> None:
    programs.run("sfdisk", "--delete", made.image, "2")

    assert "partition 2: partition is missing" in made.found()


def test_a_card_without_a_table_is_refused(made: Card) -> None:
    made.overwrite(0, bytes(512))

    with pytest.raises(LayoutError, match="no partition table"):
        made.check()


def test_contents_can_be_checked_before_there_is_a_table(made: Card) -> None:
    made.overwrite(0, bytes(512))

    report = card_check.check_contents(
        made.image, made.manifest, disk=made.manifest.disk, expected=made.entries.__getitem__
    )

    assert report.is_exact
    assert report.entries == 8


def test_a_destroyed_file_system_does_not_keep_the_others_from_being_checked(made: Card) -> None:
    made.overwrite(made.offset(ROOT), bytes(4096))
    made.overwrite(made.offset(SWAP) + 1052, b"moved")

    found = made.found()

    assert found == [
        "partition 2: readable is false: no ext4 superblock, not true",
        "partition 5: label is moved, not still",
    ]


def test_bytes_that_were_left_out_of_the_capture_are_not_compared(made: Card) -> None:
    def expected(part: int) -> Iterator[Entry]:
        for entry in made.entries[part]:
            left_out = part == ROOT and entry.name == b"readings"
            yield entry._replace(digest=b"", omitted=Omitted.SWAP) if left_out else entry

    report = made.check(expected=expected)

    assert report.is_exact


def test_an_error_of_the_capture_is_not_taken_for_one_of_the_card(made: Card) -> None:
    def expected(part: int) -> Iterator[Entry]:
        yield Entry(b"", b"", EntryType.DIRECTORY)
        raise SecurityError("index: odd digest")

    with pytest.raises(SecurityError, match="odd digest"):
        made.check(expected=expected)


def test_another_kind_of_file_system_is_a_difference(made: Card) -> None:
    report = card_check.check_card(
        made.image,
        made.manifest,
        expected=made.entries.__getitem__,
        file_systems={ROOT: Other(type="xfs")},
    )

    assert [(found.part, found.field) for found in report.differences] == [(ROOT, "type")]


def test_differences_are_counted_beyond_those_that_are_listed(made: Card) -> None:
    many = [Entry(b"", b"x%03d" % n, EntryType.FIFO) for n in range(500)]

    report = made.check(
        expected=lambda part: sorted([*made.entries[part], *many], key=lambda e: e[:2])
    )

    assert report.total == 2 * 500
    assert len(report.differences) == card_report.SHOWN_MAX


def test_progress_is_told_in_bytes(made: Card) -> None:
    said: list[int] = []
    big = made.manifest.disk.partitions[0].size * SECTOR

    card_check.check_contents(
        made.image,
        made.manifest,
        disk=made.manifest.disk,
        expected=made.entries.__getitem__,
        file_systems={
            BOOT: cards.file_systems_of(made.image, made.manifest.disk, raw={1: "0"})[1]
        },
        progress=said.append,
    )

    assert said == sorted(said)
    assert said[-1] > big * 3 // 4


def test_every_kind_of_partition_was_in_the_card(made: Card) -> None:
    kinds = {part.number: type(part.file_system) for part in made.manifest.parts}

    assert (kinds[BOOT], kinds[ROOT], kinds[SWAP]) == (Fat, Ext4, Swap)
    with byte_source.opened(made.image) as opened:
        assert boot_gap.read(opened, made.manifest.disk) == [LOADER]
