"""h24: what a rebuild needs is read before the old table of a card is touched."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import TargetRefusedError
from support import boards, command_line, loop, plain_board, programs
from support.plain_board import NEEDED, SIZE, PlainCapture

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path

pytestmark = pytest.mark.timeout(120)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> PlainCapture:
    return plain_board.captured(tmp_path_factory.mktemp("plain"))


def old_card(path: Path) -> Path:
    """Make a card that is in use: it has a table, and something behind it."""
    image = loop.partitioned_image(path, size=SIZE, script=boards.MBR)
    with image.open("r+b") as card:
        card.seek(90112 * 512)
        card.write(b"what the owner has on this card" * 1000)
    return image


def written(kept: PlainCapture, device: Path, *words: str) -> subprocess.CompletedProcess[bytes]:
    return command_line.attempt("rebuild", "pier-3/1", device, "--store", kept.store, *words)


@pytest.mark.parametrize("what", NEEDED)
def test_h24_a_card_keeps_its_table_when_the_store_is_damaged(
    kept: PlainCapture, tmp_path: Path, what: str
) -> None:
    image = old_card(tmp_path / "card.img")
    before = image.read_bytes()

    with (
        loop.attached(image) as disk,
        plain_board.spoilt(kept.places[what], plain_board.flipped),
    ):
        planned = written(kept, disk.device, "--dry-run")
        made = written(kept, disk.device, "--confirm", str(SIZE))
        programs.run("blockdev", "--flushbufs", disk.device)

    assert {planned.returncode, made.returncode} <= plain_board.REFUSALS, made.stderr
    assert image.read_bytes() == before


def test_a_dry_run_names_the_card_and_refuses_one_that_is_in_use(
    kept: PlainCapture, tmp_path: Path
) -> None:
    image = old_card(tmp_path / "card.img")
    with loop.attached(image) as disk:
        free = written(kept, disk.device, "--dry-run")
        programs.run("mkfs.ext4", "-q", "-F", disk.device)
        with loop.mounted(disk.device, tmp_path / "mounted"):
            used = written(kept, disk.device, "--dry-run")
            made = written(kept, disk.device, "--confirm", str(SIZE))

    assert free.returncode == 0, free.stderr
    assert str(disk.device) in free.stdout.decode()
    assert used.returncode == made.returncode == TargetRefusedError.exit_code, used
    assert used.stderr == made.stderr


def test_h24_of_the_same_store_undamaged_the_card_is_written(
    kept: PlainCapture, tmp_path: Path
) -> None:
    image = old_card(tmp_path / "card.img")

    with loop.attached(image) as disk:
        made = written(kept, disk.device, "--confirm", str(SIZE))

    assert made.returncode == boards.NO_KERNEL, made.stderr
    assert b"0x5ca1ab1e" in programs.run("sfdisk", "--dump", image)
