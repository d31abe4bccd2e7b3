"""How small an f2fs may be, foretold, against what sload.f2fs really takes."""

import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from holdstill.filesystems.kernel_filled import f2fs_sizing
from holdstill.system.process import LocalRunner
from support import loop, programs, reference_tree
from support.contents import in_order
from support.loop import MIB

pytestmark = [pytest.mark.tools, pytest.mark.timeout(200)]
STEP = 2 * MIB
"""A segment of f2fs: sizes between two multiples of it are as good as the lower one."""


def small_files(at: Path, chance: random.Random) -> None:
    for number in range(30):
        folder = at / f"{number:03}"
        folder.mkdir()
        for name in range(150):
            content = b"%d m\n" % name * chance.randrange(1, 3000)
            (folder / f"reading-{name:05}").write_bytes(content)


def large_files(at: Path, chance: random.Random) -> None:
    for number in range(5):
        (at / f"archive-{number}").write_bytes(chance.randbytes(24 * MIB + number))


def wide_directory(at: Path, chance: random.Random) -> None:
    (at / "log").mkdir()
    for number in range(20_000):
        (at / f"log/a-name-as-programs-make-them-{number:08}").touch()
    (at / "ledger").write_bytes(chance.randbytes(30 * MIB))


def folders_and_links(at: Path, chance: random.Random) -> None:
    for number in range(6000):
        (at / f"{number % 50}/empty-{number}").mkdir(parents=True)
    for number in range(3000):
        (at / f"link-{number}").symlink_to("far/" * 30)
    for number in range(100):
        os.link(at / "link-0", at / f"again-{number}", follow_symlinks=False)


def mixed(at: Path, chance: random.Random) -> None:
    for number in range(2000):
        content = chance.randbytes(int(chance.lognormvariate(9, 1.5)))
        (at / f"chart-{number}").write_bytes(content)
    (at / "kernel").write_bytes(chance.randbytes(45 * MIB))


@pytest.mark.parametrize(
    "make",
    [
        small_files,
        large_files,
        folders_and_links,
        mixed,
        pytest.param(wide_directory, marks=pytest.mark.slow),
    ],
)
def test_the_least_size_is_at_most_five_percent_above_what_is_needed(
    tmp_path: Path, make: Callable[[Path, random.Random], None]
) -> None:
    at = tmp_path / "tree"
    at.mkdir()
    make(at, random.Random(9))  # noqa: S311  a tree, not a secret
    entries = in_order(reference_tree.entries(at).values())

    told = f2fs_sizing.minimum(f2fs_sizing.blocks(entries), machine=LocalRunner()).size

    assert takes(at, tmp_path / "image", told)
    # A size takes what the multiple of a segment below it takes: this is the next one that would
    # be too much below what was told.
    less = (told * 20 - 1) // 21 // STEP * STEP
    assert less >= f2fs_sizing.LEAST, "the case is to be about larger sizes"
    assert not takes(at, tmp_path / "image", less), f"{less / MIB} of {told / MIB} MiB would do"


def takes(at: Path, image: Path, size: int) -> bool:
    loop.blank_image(image, size=size)
    for words in (
        ("mkfs.f2fs", "-q", "-f", image),
        ("sload.f2fs", "-P", "-t", "/", "-f", at, image),
        ("fsck.f2fs", "--dry-run", image),
    ):
        if programs.attempt(*words).returncode:
            return False
    return True


def test_an_empty_tree_takes_the_least_that_can_be_made(tmp_path: Path) -> None:
    image = tmp_path / "image"
    assert f2fs_sizing.minimum(1, machine=LocalRunner()).size == f2fs_sizing.LEAST
    loop.blank_image(image, size=f2fs_sizing.LEAST)
    programs.run("mkfs.f2fs", "-q", "-f", image)
    loop.blank_image(image, size=f2fs_sizing.LEAST - MIB)
    assert programs.attempt("mkfs.f2fs", "-q", "-f", image).returncode != 0
