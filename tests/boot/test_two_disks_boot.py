"""A board that boots from a card and has its root on a second disk, rebuilt and really booted.

Its own card is taken apart for that: the boot partition stays, the root moves to another disk.
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.rehearse import rehearsal as run
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import cards, loop, programs
from support.vm import board, here, kinds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [pytest.mark.timeout(900), pytest.mark.slow]
SECOND_ID = "11223344"


def taken_apart(whole: board.Card, folder: Path) -> tuple[Path, Path]:
    """Make a card with the boot partition, and a second disk with the root."""
    disk = cards.table_of(whole.image)
    made = []
    for number, name, disk_id in ((1, "card", whole.ids.disk), (2, "second", SECOND_ID)):
        part = disk.partition(number)
        image = kinds.with_table(
            folder / f"{name}.img",
            disk_id=disk_id,
            size=(part.end + 2048) * kinds.SECTOR,
            parts=(f"start={part.start}, size={part.size}, type={part.type}",),
        )
        kinds.copied(whole.image, number, image, to=1)
        made.append(image)
    return made[0], made[1]


@contextmanager
def captured(folder: Path) -> Iterator[here.Kept]:
    """Hold a store with a capture of the board with two disks."""
    whole = board.build_card(board.tree(), folder / "whole.img")
    images = taken_apart(whole, folder)
    whole.image.unlink()

    def renamed(text: str) -> str:
        return text.replace(f"PARTUUID={whole.ids.partition(2)}", f"PARTUUID={SECOND_ID}-01")

    with loop.attached(images[0]) as card, loop.attached(images[1]) as second:
        kinds.with_words(card.partition(1), folder, renamed)
        with loop.mounted(second.partition(1), folder / "root") as root, loop.thaw_guard(root):
            fstab = root / "etc/fstab"
            fstab.write_text(renamed(fstab.read_text()))
            kinds.with_marker(root)
            # This kernel mounts no FAT, so the card has to be named.
            place: dict[str, str | list[str]] = {
                "root": f"{root}",
                "disks": [f"{card.device}", f"{second.device}"],
            }
            yield here.captured(place, folder)
    for image in images:
        image.unlink()


def test_both_disks_boot_together_and_so_do_all_on_one(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    with captured(tmp_path) as kept:
        pass  # what is captured is gone from here on
    together = here.rehearse(kept, tmp_path, sign=kinds.MARKER)

    assert together.returncode == 0, together
    measured(f"two disks: alive after {json.loads(together.stdout)['seconds']:.1f} s")
    console = (tmp_path / "console").read_text(errors="replace")
    assert "/dev/vdb1" in console
    (brief,) = kept.briefs()
    assert brief["booted_at"] != ""
    assert brief["boot"]["verdict"] == "whole"  # type: ignore[index]

    one = tmp_path / "one.img"
    words = ("rebuild", "pier-3", one, "--disk", "all", "--store", kept.store, "--json")
    report = json.loads(programs.run(here.HOLDSTILL, *words, timeout=300))
    assert report["bootable"]
    alone = run.rehearse(
        one, runner=LocalRunner(), clock=SystemClock(), log=tmp_path / "log", deadline=600,
        sign=kinds.MARKER,
    )  # fmt: skip

    measured(f"all on one: alive after {alone.seconds:.1f} s")
    assert alone.booted, alone
    assert "/dev/vda2" in (tmp_path / "log").read_text(errors="replace")
