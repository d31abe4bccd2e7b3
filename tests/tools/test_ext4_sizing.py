"""How much a tree needs, foretold, against what it takes when it is written."""

from __future__ import annotations

import random
import tempfile
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import PreflightError, TargetFailedError, TargetRefusedError
from holdstill.filesystems.ext4 import ext4_parameters, ext4_reader, ext4_sizing
from holdstill.filesystems.fat import fat_parameters, fat_sizing, fat_writer
from holdstill.model.entries import Entry, EntryType, differences
from holdstill.model.layout import Fat, Need
from holdstill.rebuild.partition_layout import DoesNotFitError
from holdstill.rebuild.steps import MakeExt4
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from holdstill.workflow import plan_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from support import capture_folder, ext4_images, keeping, loop, programs
from support.contents import FolderContents, a_file, a_folder, in_order
from support.ext4_images import FEATURES, MIB

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.model.layout import Ext4

EXT3 = ("has_journal", "ext_attr", "resize_inode", "dir_index", "filetype", "sparse_super")
CARD = ext4_images.parameters(size=2048 * MIB, inodes=131_072)
KIB_BLOCKS = ext4_images.parameters(size=512 * MIB, inodes=65_536, block_size=1024)
BARE = ext4_images.parameters(
    size=512 * MIB,
    inodes=65_536,
    block_size=1024,
    features=tuple(feature for feature in FEATURES if feature != "has_journal"),
)
OLD = ext4_images.parameters(size=2048 * MIB, inodes=131_072, features=EXT3)


def chance_from(seed: int) -> random.Random:
    return random.Random(seed)  # noqa: S311  a tree, not a secret


def many_small_files(contents: FolderContents) -> Iterator[Entry]:
    chance = chance_from(3)
    for number in range(60):
        yield a_folder(b"%03d" % number, mode=0o755)
        for name in range(200):
            content = b"%d m\n" % name * chance.randrange(1, 900)
            yield a_file(contents, b"%03d/reading-%05d" % (number, name), content)


def few_large_files(contents: FolderContents) -> Iterator[Entry]:
    chance = chance_from(4)
    for number in range(7):
        yield a_file(contents, b"archive-%d" % number, chance.randbytes(9 * MIB + number))


def one_wide_directory(contents: FolderContents) -> Iterator[Entry]:
    yield a_folder(b"log", mode=0o755)
    for number in range(40_000):
        yield a_file(contents, b"log/a-name-as-programs-make-them-%08d" % number, b"")
    yield a_file(contents, b"ledger", chance_from(5).randbytes(30 * MIB))


def holes_and_links(contents: FolderContents) -> Iterator[Entry]:
    chance = chance_from(6)
    for number in range(400):
        content = b"".join(chance.choice([bytes(8192), chance.randbytes(4096)]) for _ in range(40))
        yield a_file(contents, b"sparse-%03d" % number, content)._replace(sparse=1)
    for number in range(600):
        name = b"link-%03d" % number
        yield Entry(b"", name, EntryType.SYMLINK, mode=0o777, target=b"far/" * 30)
    shared = a_file(contents, b"x", chance.randbytes(6 * MIB))._replace(link=9)
    yield from (shared._replace(name=b"same-%02d" % number) for number in range(20))


def attributes_come_last(contents: FolderContents) -> Iterator[Entry]:
    """The library takes blocks for these, when few are left."""
    chance = chance_from(8)
    for number in range(2010):
        yield a_file(contents, b"reading-%04d" % number, chance.randbytes(24_000))
    yield a_folder(b"z")
    for number in range(150):
        file = a_file(contents, b"z/%04d" % number, b"")
        yield file._replace(xattrs={"user.calibration": chance.randbytes(900)})


def attributes_and_nodes(contents: FolderContents) -> Iterator[Entry]:
    chance = chance_from(7)
    for number in range(3000):
        file = a_file(contents, b"note-%04d" % number, chance.randbytes(9000))
        yield file._replace(xattrs={"user.calibration": chance.randbytes(300)})
        yield Entry(b"", b"fifo-%04d" % number, EntryType.FIFO, mode=0o600)
    for number in range(900):
        yield a_folder(b"empty-%03d" % number, mode=0o700)


CASES: dict[str, tuple[Callable[[FolderContents], Iterator[Entry]], Ext4]] = {
    "many small files": (many_small_files, CARD),
    "few large files": (few_large_files, CARD),
    "one wide directory": (one_wide_directory, CARD),
    "holes and links": (holes_and_links, CARD),
    "attributes and nodes": (attributes_and_nodes, CARD),
    "attributes come last, in blocks of 1 KiB": (attributes_come_last, BARE),
    "few large files on ext3": (few_large_files, OLD),
    "many small files in blocks of 1 KiB": (many_small_files, KIB_BLOCKS),
}


@dataclass(frozen=True)
class Made:
    """A tree in key order, with its contents, and the file system that it was captured from."""

    tree: list[Entry]
    contents: FolderContents
    parameters: Ext4


SELDOM = {case for case in CASES if "1 KiB" in case} | {"attributes and nodes"}
EACH = [pytest.param(case, marks=pytest.mark.slow if case in SELDOM else ()) for case in CASES]


@pytest.fixture(scope="module", params=EACH)
def case(request: pytest.FixtureRequest) -> Iterator[Made]:
    """A case, with its contents in memory: made once for all tests of it."""
    make_tree, parameters = CASES[request.param]
    with tempfile.TemporaryDirectory(dir=keeping.MEMORY) as folder:
        contents = FolderContents(Path(folder))
        top = (a_folder(b"", mode=0o755), a_folder(b"lost+found"))
        yield Made(in_order([*top, *make_tree(contents)]), contents, parameters)


@pytest.mark.timeout(240)
def test_the_smallest_size_is_at_most_five_percent_above_what_is_needed(
    tmp_path: Path, case: Made
) -> None:
    tree, contents, parameters = case.tree, case.contents, case.parameters
    machine = LocalRunner()

    usage = ext4_sizing.need(tree, parameters, contents=contents)
    need = ext4_sizing.minimum(parameters, usage, machine=machine)

    small = planned(parameters, need, size=need.size)
    image = ext4_images.image(tmp_path / "small.img", tree, contents, small)
    assert list(differences(tree, ext4_images.read(image, small))) == []

    def takes(size: int) -> bool:
        """Say whether the tree can be written to this size, with as few inodes as will do."""
        smaller = as_lean_as_can_be(parameters, usage, size=size)
        return is_written(tmp_path / "smaller.img", tree, contents, smaller)

    assert takes(need.size)
    assert not takes(need.size * 20 // 21), "a twentieth less would do"


def planned(parameters: Ext4, need: Need, *, size: int) -> Ext4:
    """Return the parameters that a plan has for a partition of this size."""
    resized = ext4_parameters.resized(parameters, size=size, inodes=need.inodes)
    return ext4_sizing.settled(resized, need, machine=LocalRunner())


def as_lean_as_can_be(parameters: Ext4, usage: ext4_sizing.Usage, *, size: int) -> Ext4:
    resized = ext4_parameters.resized(parameters, size=size, inodes=usage.inodes + 11)
    return ext4_parameters.with_least_journal(resized)


def is_written(path: Path, tree: list[Entry], contents: FolderContents, wanted: Ext4) -> bool:
    try:
        ext4_images.image(path, tree, contents, wanted)
    except (TargetFailedError, PreflightError):
        return False
    return True


def test_blocks_are_counted_as_they_are_used(tmp_path: Path, case: Made) -> None:
    tree, contents = case.tree, case.contents
    roomy = ext4_parameters.resized(case.parameters, size=256 * MIB, inodes=60_000)
    empty = ext4_images.image(tmp_path / "empty.img", tree[:1], contents, roomy)

    usage = ext4_sizing.need(tree, roomy, contents=contents)

    full = ext4_images.image(tmp_path / "full.img", tree, contents, roomy)
    before, after = free_of(empty), free_of(full)
    blocks, inodes = before[0] - after[0] + 1, before[1] - after[1]  # 1: the empty root's block
    assert usage.inodes == inodes
    assert blocks <= usage.blocks <= blocks + max(blocks // 100, 2)


def free_of(image: Path) -> tuple[int, int]:
    header = ext4_images.header(image, everything=True)
    return int(header["Free blocks"]), int(header["Free inodes"])


def test_the_least_file_system_has_its_journal(tmp_path: Path) -> None:
    need = ext4_sizing.minimum(CARD, ext4_sizing.Usage(blocks=1, inodes=1), machine=LocalRunner())

    small = planned(CARD, need, size=need.size)
    image = ext4_images.image(
        tmp_path / "small.img", [a_folder(b"")], FolderContents(tmp_path / "c"), small
    )
    assert "has_journal" in ext4_images.header(image)["Filesystem features"]


def test_features_that_are_not_rebuilt_are_refused_here_already() -> None:
    odd = ext4_images.parameters(features=(*FEATURES, "bigalloc"))

    with pytest.raises(TargetRefusedError, match="bigalloc"):
        ext4_sizing.minimum(odd, ext4_sizing.Usage(blocks=1, inodes=1), machine=LocalRunner())


def test_what_this_machine_cannot_make_is_told_with_the_reason() -> None:
    odd = ext4_images.parameters(features=(*FEATURES, "of_another_year"))

    with pytest.raises(PreflightError, match=r"cannot make the board's ext4.*of_another_year"):
        ext4_sizing.minimum(odd, ext4_sizing.Usage(blocks=1, inodes=1), machine=LocalRunner())


def test_without_contents_a_sparse_file_counts_in_full(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    tree = [a_folder(b""), a_file(contents, b"hole", bytes(20 * MIB))._replace(sparse=1)]

    assert ext4_sizing.need(tree, CARD, contents=contents).blocks == 1
    assert ext4_sizing.need(tree, CARD).blocks == 1 + 5120


@pytest.mark.parametrize("bits", [16, 32])
def test_a_fat_of_the_least_size_takes_its_tree(tmp_path: Path, bits: int) -> None:
    contents, machine = FolderContents(tmp_path / "contents"), LocalRunner()
    chance = chance_from(8)
    names = [
        a_file(contents, b"overlays/a longer name %03d.dtbo" % number, chance.randbytes(3000))
        for number in range(400)
    ]
    kernel = a_file(contents, b"kernel.img", chance.randbytes(70 * MIB if bits == 32 else MIB))
    tree = in_order([a_folder(b""), a_folder(b"overlays"), kernel, *names])
    captured = Fat(
        bits=bits, volume_id=0xA40D85E7, label="BOOT", sectors_per_cluster=4, sectors=524_288,
        reserved_sectors=32 if bits == 32 else 4, root_entries=0 if bits == 32 else 512,
        clusters=130_000,
    )  # fmt: skip

    need = fat_sizing.need(tree, captured)

    scaled = fat_parameters.resized(captured, size=need.size)
    image = loop.blank_image(tmp_path / "boot.img", size=need.size)
    fat_writer.make(
        image, offset=0, size=need.size, parameters=scaled, entries=tree, contents=contents,
        machine=machine,
    )  # fmt: skip
    programs.run("fsck.vfat", "-n", image)
    listed = programs.run("mdir", "-b", "-i", image, "::/overlays").splitlines()
    assert len(listed) == 400


MANY = 70_000
"""More files than 128 MiB in blocks of 4 KiB have inodes in one group: 65,536 at most."""


@pytest.mark.timeout(240)
@pytest.mark.parametrize(
    ("block_size", "lacking"),
    [
        (4096, ""),
        (1024, "flex_bg"),
        pytest.param(1024, "", marks=pytest.mark.slow),
        pytest.param(4096, "flex_bg", marks=pytest.mark.slow),
    ],
)
def test_a_great_many_empty_files_fit_as_small_a_file_system_as_is_told(
    tmp_path: Path, block_size: int, lacking: str
) -> None:
    features = tuple(feature for feature in FEATURES if feature != lacking)
    parameters = ext4_images.parameters(
        size=128 * MIB, inodes=80_000, block_size=block_size, features=features
    )
    contents = FolderContents(tmp_path / "contents")
    tree = in_order([a_folder(b""), *(a_file(contents, b"%06d" % n, b"") for n in range(MANY))])

    usage = ext4_sizing.need(tree, parameters, contents=contents)
    need = ext4_sizing.minimum(parameters, usage, machine=LocalRunner())

    assert need.inodes > MANY
    assert need.size <= 64 * MIB
    for size in (need.size, 128 * MIB):
        made = planned(parameters, need, size=size)
        image = ext4_images.image(tmp_path / "made.img", tree, contents, made)
        programs.run("e2fsck", "-fn", ext4_images.at(image, ext4_images.OFFSET))
        assert int(ext4_images.header(image)["Inode count"]) > MANY


# mke2fs leaves out a last group of blocks that would hold little beside its own tables.
def test_what_is_reserved_keeps_its_share_where_a_last_group_is_left_out(tmp_path: Path) -> None:
    parameters = ext4_images.parameters(size=257 * MIB, inodes=16_384)
    parameters = msgspec.structs.replace(parameters, reserved_blocks=parameters.blocks // 20)

    image = ext4_images.image(
        tmp_path / "made.img", [a_folder(b"")], FolderContents(tmp_path / "c"), parameters
    )

    header = ext4_images.header(image, everything=True)
    blocks, reserved = int(header["Block count"]), int(header["Reserved block count"])
    assert blocks < parameters.blocks
    assert reserved == parameters.reserved_blocks * blocks // parameters.blocks


@dataclass(frozen=True)
class Shape:
    """A tree on a file system as mke2fs makes it, and a size that has less room than smaller ones.

    Attributes:
        options: of mke2fs for the captured one.
        captured: bytes of it.
        holds: bytes of the tree's files.
        worse: bytes from which on there is less room, if nothing gives way.
    """

    options: str
    captured: int
    holds: int
    worse: int


# Usage types as e2fsprogs 1.47 has them in mke2fs.conf: "small" and "floppy" have blocks of 1 KiB
# and an inode for each 4 or 8 KiB, the default blocks of 4 KiB and an inode for each 16 KiB. The
# usual journal has 1024 blocks below 32,768 blocks, then 4096 (lib/ext2fs/mkjournal.c).
SMALL = Shape("-t ext4 -b 1024 -I 256 -i 4096", 296 * MIB, 28 * MIB, 32 * MIB)
SHAPES = {
    "small": SMALL,
    "floppy, ext3": Shape("-t ext3 -b 1024 -I 256 -i 8192", 300 * MIB, 29 * MIB, 32 * MIB),
    "short inodes": Shape("-t ext4 -b 1024 -I 128 -i 4096", 300 * MIB, 29 * MIB, 32 * MIB),
    "2 KiB": Shape("-t ext4 -b 2048 -I 256 -i 8192", 600 * MIB, 58 * MIB, 64 * MIB),
    "default": Shape("-t ext4 -b 4096 -I 256 -i 16384", 2048 * MIB, 120 * MIB, 128 * MIB),
    # mke2fs leaves out the third group of 8 MiB until it is worth its tables.
    "many inodes": Shape(
        "-t ext4 -b 1024 -I 256 -i 2048", 100 * MIB, 12_850 * 1024, 16 * MIB + 700 * 1024
    ),
}
EVERY_DAY = {"many inodes"}


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=() if name in EVERY_DAY else pytest.mark.slow) for name in SHAPES],
)
def test_every_size_above_the_smallest_takes_the_tree(tmp_path: Path, name: str) -> None:
    shape, contents = SHAPES[name], FolderContents(tmp_path / "contents")
    parameters, tree = as_mke2fs_makes_it(tmp_path, shape), logs(contents, shape.holds)

    usage = ext4_sizing.need(tree, parameters, contents=contents)
    need = ext4_sizing.minimum(parameters, usage, machine=LocalRunner())

    sizes = (need.size, shape.worse, shape.worse + MIB)
    for size in sizes:
        assert size >= need.size, "the case is to be about larger sizes"
        made = planned(parameters, need, size=size)
        ext4_images.image(tmp_path / "made.img", tree, contents, made)
    lean = as_lean_as_can_be(parameters, usage, size=need.size * 20 // 21)
    assert not is_written(tmp_path / "smaller.img", tree, contents, lean)


def test_a_plan_for_the_smallest_target_and_for_larger_ones_can_be_carried_out(
    tmp_path: Path,
) -> None:
    contents, machine = FolderContents(tmp_path / "contents"), LocalRunner()
    parameters, tree = as_mke2fs_makes_it(tmp_path, SMALL), logs(contents, SMALL.holds)
    with capture_folder.captured(
        tmp_path, tree, contents, parameters=parameters, size=300 * MIB
    ) as source:
        plan = partial(plan_rebuild.plan_rebuild, source, options=PlanOptions(), machine=machine)
        with pytest.raises(DoesNotFitError) as refused:
            plan(size=8 * MIB)
        for size in (refused.value.smallest, refused.value.smallest + 2 * MIB):
            (step,) = (step for step in plan(size=size).steps if isinstance(step, MakeExt4))
            ext4_images.image(tmp_path / "made.img", tree, contents, step.parameters)


# mke2fs gives each group a multiple of eight inodes (lib/ext2fs/initialize.c): of 1 KiB each here.
def test_a_larger_size_has_room_for_what_is_rounded_up_in_its_groups(tmp_path: Path) -> None:
    shape = Shape("-t ext4 -b 1024 -I 1024 -i 8192", 1000 * MIB, holds=0, worse=0)
    parameters, usage = as_mke2fs_makes_it(tmp_path, shape), ext4_sizing.Usage(494_926, 300)

    need = ext4_sizing.minimum(parameters, usage, machine=LocalRunner())

    for further in (0, 120, 300):
        planned(parameters, need, size=need.size + further * 1024)


def test_a_file_system_with_room_is_planned_as_it_was() -> None:
    need = ext4_sizing.minimum(CARD, ext4_sizing.Usage(blocks=1, inodes=1), machine=LocalRunner())

    assert ext4_sizing.settled(CARD, need, machine=LocalRunner()) == CARD


def test_what_is_too_small_is_refused_before_anything_is_written() -> None:
    need = Need(inodes=100, size=0, blocks=CARD.blocks)

    with pytest.raises(TargetRefusedError, match="too small for what it is to hold") as refused:
        ext4_sizing.settled(CARD, need, machine=LocalRunner())
    assert "--size" in refused.value.hint


def as_mke2fs_makes_it(folder: Path, shape: Shape) -> Ext4:
    image = loop.blank_image(folder / "captured.img", size=shape.captured)
    programs.run("mke2fs", "-q", "-F", *shape.options.split(), image)
    with byte_source.opened(image) as whole:
        return ext4_reader.Ext4Reader(whole).parameters()


def logs(contents: FolderContents, size: int) -> list[Entry]:
    """Return a tree whose files are this large together, two hundred of them of any size."""
    chance = chance_from(9)
    small = [chance.randbytes(chance.randrange(1, 40_000)) for _ in range(200)]
    rest = size - sum(map(len, small))
    large = [min(rest - start, 3 * MIB + 77) for start in range(0, rest, 3 * MIB + 77)]
    bodies = (*small, *map(bytes, large))
    files = (a_file(contents, b"log/r%d" % n, body) for n, body in enumerate(bodies))
    top = (a_folder(b"", mode=0o755), a_folder(b"log"), a_folder(b"lost+found"))
    return in_order([*top, *files])
