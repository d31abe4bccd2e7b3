"""Names of devices that are links, as udev makes them: each means what it leads to.

Where udev(7) does not run, the test makes the link itself.
"""

from __future__ import annotations

import json
import os
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import boards, loop, programs
from support.boards import holdstill
from support.loop import MIB, LoopDisk

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.timeout(180)
SECOND = "label: dos\nlabel-id: 0x11223344\nstart=2048, type=83\n"


@dataclass(frozen=True)
class TwoDisks:
    card: LoopDisk
    data: LoopDisk
    root: Path


@contextmanager
def running(folder: Path, *, place: str = "data") -> Iterator[TwoDisks]:
    """Hold a board with its system on a card, and a second disk at a place."""
    image = loop.partitioned_image(folder / "data.img", size=64 * MIB, script=SECOND)
    with boards.running(folder, size=160 * MIB) as board, loop.attached(image) as disk:
        programs.run("mkfs.ext4", "-q", disk.partition(1))
        with ExitStack() as undo:
            at = undo.enter_context(loop.mounted(disk.partition(1), board.root / place))
            undo.enter_context(loop.thaw_guard(at, seconds=20))
            (at / "readings").write_text("tide\n")
            with (board.root / "etc/fstab").open("a", encoding="ascii") as fstab:
                fstab.write(f"{disk.partition(1)} /{place} ext4 defaults 0 2\n")
            yield TwoDisks(board.disk, disk, board.root)


@contextmanager
def linked(place: Path, device: Path) -> Iterator[Path]:
    """Have a link to a device in a folder, which is made if need be, for the length of a block."""
    above = [folder for folder in (place, *place.parents) if not folder.exists()]
    place.mkdir(parents=True, exist_ok=True)
    link = place / f"holdstill-{os.getpid()}-{device.name}"
    link.symlink_to(device)
    try:
        yield link
    finally:
        link.unlink()
        for folder in above:
            folder.rmdir()


BY_ID = Path("/dev/disk/by-id")


@pytest.mark.parametrize("place", ["by-id", "elsewhere"])
def test_a_disk_that_is_named_by_a_link_is_captured_as_the_disk(
    tmp_path: Path, place: str
) -> None:
    folder = BY_ID if place == "by-id" else tmp_path / "links"
    with running(tmp_path) as live, linked(folder, live.data.device) as link:
        more = f"disks: [auto, {link}, {live.data.device}]\n"  # the same one, twice
        with boards.kept_nearby(tmp_path, live.root, more=more) as kept:
            report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
            shown = json.loads(holdstill("show", "pier-3", "--store", kept.store, "--json"))
            for number, size in (("1", 160), ("2", 64)):
                words = ("rebuild", "pier-3", tmp_path / f"{number}.img", "--disk", number)
                holdstill(*words, "--store", kept.store, accepted=[boards.NO_KERNEL, 0])
                assert (tmp_path / f"{number}.img").stat().st_size == size * MIB
            whole = ("rebuild", "pier-3", tmp_path / "all.img", "--disk", "all")
            holdstill(*whole, "--store", kept.store, accepted=[boards.NO_KERNEL])
    with loop.attached(tmp_path / "2.img") as made:
        programs.run("e2fsck", "-fn", made.partition(1))
        with loop.mounted(made.partition(1), tmp_path / "at", options="ro,noload") as at:
            assert (at / "readings").read_text() == "tide\n"
    with loop.attached(tmp_path / "all.img") as made:
        programs.run("e2fsck", "-fn", made.partition(3))

    grades = {part["place"]: part["grade"] for part in report["parts"]}
    assert grades == {"": "read-only", "/": "point-in-time", "/data": "point-in-time"}
    assert report["findings"] == []
    assert str(live.data.device) in json.dumps(shown)
    assert str(link) not in json.dumps(shown)


def test_a_link_to_a_partition_is_no_disk(tmp_path: Path) -> None:
    with running(tmp_path) as live, linked(BY_ID, live.data.partition(1)) as link:
        more = f"disks: [auto, {link}]\n"
        with boards.kept_nearby(tmp_path, live.root, more=more) as kept:
            holdstill("capture", "--settings", kept.settings, accepted=[4])


@pytest.mark.parametrize("place", ["by-id", "elsewhere"])
def test_what_is_left_out_may_be_named_by_a_link(tmp_path: Path, place: str) -> None:
    folder = BY_ID if place == "by-id" else tmp_path / "links"
    with (
        running(tmp_path, place="home") as live,
        linked(folder, live.data.partition(1)) as link,
        linked(folder, live.card.partition(1)) as captured,
        boards.kept_nearby(tmp_path, live.root, more=f"disks: [{live.card.device}]\n") as kept,
    ):
        words = ("capture", "--settings", kept.settings, "--json")
        told = json.loads(holdstill(*words, accepted=[8]))
        with kept.settings.open("a", encoding="utf-8") as settings:
            settings.write(f"leave_out: [{link}, {captured}]\n")
        report = json.loads(holdstill(*words))
        inspected = holdstill("inspect", "--settings", kept.settings, "--offline").decode()

    assert [one["kind"] for one in told["findings"]] == ["missing"]
    assert [one["kind"] for one in report["findings"]] == ["left out"]
    # The other one names what is captured: that is told, by the word that was written.
    assert captured.name in "".join(inspected.split())
    assert link.name not in "".join(inspected.split())


def test_a_card_that_is_looked_at_may_be_named_by_a_link(tmp_path: Path) -> None:
    with running(tmp_path) as live, linked(BY_ID, live.card.device) as link:
        said = [
            json.loads(holdstill("bootcheck", device, "--json", accepted=[7]))
            for device in (link, live.card.device)
        ]
        with boards.kept_nearby(tmp_path, live.root, more="leave_out: [/data]\n") as kept:
            holdstill("capture", "--settings", kept.settings)
            card = ("--store", kept.store, "--json")
            both = [
                json.loads(holdstill("verify", "pier-3", "--card", one, *card, accepted=[0, 7]))
                for one in (link, live.card.device)
            ]

    assert said[0] == said[1]
    assert both[0]["total"] == both[1]["total"]
