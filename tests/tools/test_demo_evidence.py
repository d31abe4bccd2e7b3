"""What the demonstration says of a rebuilt card is what a card made by other tools holds."""

from __future__ import annotations

import shutil
import tempfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.demo import evidence, gauge_check, tide_gauge
from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

SCRIPT = "label: dos\nunit: sectors\nstart=2048, size=2048, type=c\nstart=4096, type=83\n"
ROOT_START = 4096 * 512


@pytest.fixture(scope="module")
def root() -> Iterator[Path]:
    # In memory: the gauge flushes after every reading, and there is more than one text log.
    with (
        tempfile.TemporaryDirectory(dir="/dev/shm") as name,
        closing(tide_gauge.open_database(Path(name))) as database,
    ):
        gauge = tide_gauge.Gauge(Path(name), database)
        for _ in range(600):
            gauge.take()
        yield Path(name)


def card_of(root: Path, image: Path) -> Path:
    loop.partitioned_image(image, size=32 << 20, script=SCRIPT)
    size = f"{((32 << 20) - ROOT_START) // 1024}k"
    options = ("-t", "ext4", "-E", f"offset={ROOT_START}", "-d", root)
    programs.run("mke2fs", "-q", "-F", *options, image, size)
    return image


def test_a_card_of_one_instant_breaks_no_promise(root: Path, tmp_path: Path) -> None:
    image = card_of(root, tmp_path / "card.img")

    assert evidence.of_card(image, partition=2) == (600, ())


def test_every_file_of_the_gauge_is_taken_over(root: Path, tmp_path: Path) -> None:
    image = card_of(root, tmp_path / "card.img")

    evidence.copy_gauge(image, tmp_path / "copy", partition=2)

    assert gauge_check.look(tmp_path / "copy") == gauge_check.look(root)


def test_a_card_with_a_file_of_another_moment_is_found_out(root: Path, tmp_path: Path) -> None:
    torn = shutil.copytree(root, tmp_path / "torn")
    (torn / tide_gauge.TRAILING).write_bytes(b"%020d\n" % 590)
    image = card_of(torn, tmp_path / "card.img")

    found = evidence.of_card(image, partition=2)

    assert found.newest_reading == 600
    assert found.broken[0].startswith("all files are of the same reading or the next")


def test_a_card_without_a_gauge_keeps_no_promise(tmp_path: Path) -> None:
    (tmp_path / "root").mkdir()
    image = card_of(tmp_path / "root", tmp_path / "card.img")

    newest, broken = evidence.of_card(image, partition=2)

    assert newest == 0
    assert broken
