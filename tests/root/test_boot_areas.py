"""An eMMC's own areas, from capture to another eMMC: loop devices in the dress of such.

The judges are not ours: the images behind the devices, and dd with the commands that are told.
"""

from __future__ import annotations

import hashlib
import json
import random
import re
import sys
import textwrap
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from support import boards, emmc, loop, programs
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from support.boards import Board, Nearby
    from support.emmc import Wardrobe

pytestmark = pytest.mark.timeout(240)
PIECE = 64 << 10
_GET = f"{sys.executable} -m holdstill get"
SIZE = 384 * MIB
NEEDS_ATTENTION, VERIFICATION, REFUSED, USAGE = 8, 7, 10, 2


def noise(seed: int, size: int) -> bytes:
    return random.Random(seed).randbytes(size)  # noqa: S311  repeatable


LOADER = noise(1, MIB) + bytes(3 * MIB)
OWN = {"boot0": LOADER, "boot1": b"\xff" * (4 * MIB), "gp0": noise(2, MIB)}
"""Areas of a board: a loader, one that nobody ever wrote to, and data."""
OLD = {"boot0": noise(3, 5 * MIB), "boot1": noise(4, 5 * MIB), "gp0": noise(5, MIB)}
"""Areas of another eMMC, which held something else, and two of them larger."""


@dataclass(frozen=True)
class Stage:
    board: Board
    kept: Nearby
    dress: Wardrobe
    target: loop.LoopDisk

    @property
    def store(self) -> tuple[object, ...]:
        return ("--store", self.kept.store)

    def capture(self, *, accepted: int = 0) -> dict[str, object]:
        words = ("capture", "--settings", self.kept.settings, "--json")
        report: dict[str, object] = json.loads(self.dress.holdstill(*words, accepted=[accepted]))
        return report

    def shown(self) -> dict[str, list[dict[str, object]]]:
        found: dict[str, list[dict[str, object]]] = json.loads(
            self.dress.holdstill("show", "pier-3", *self.store, "--json")
        )
        return found

    def rebuild(self, *more: object, accepted: int | None = None) -> str:
        if accepted is None:
            accepted = 0 if "--dry-run" in more else boards.NO_KERNEL
        words = ("rebuild", "pier-3", "/dev/mmcblk8", "--confirm", SIZE, *more, *self.store)
        return self.dress.holdstill(*words, accepted=[accepted])

    def add(self, line: str) -> None:
        self.kept.settings.write_text(f"{self.kept.settings.read_text()}{line}\n")


@contextmanager
def staged(
    folder: Path, own: Mapping[str, bytes] = OWN, other: Mapping[str, bytes] = OLD
) -> Iterator[Stage]:
    """Hold a board on mmcblk7 with these areas, and mmcblk8 with others, to be written."""
    blank = loop.blank_image(folder / "target.img", size=SIZE)
    with (
        boards.running(folder) as board,
        emmc.areas(folder / "own", own) as mine,
        emmc.areas(folder / "other", other) as theirs,
        loop.attached(blank) as target,
        emmc.wardrobe(folder) as dress,
        boards.kept_nearby(folder, board.root, more="disks: [/dev/mmcblk7]\n") as kept,
    ):
        dress.name_disk("mmcblk7", board.disk)
        dress.name_disk("mmcblk8", target)
        for disk, devices in (("mmcblk7", mine), ("mmcblk8", theirs)):
            for name, device in devices.items():
                dress.name_area(f"{disk}{name}", device)
        yield Stage(board, kept, dress, target)


def on_medium(stage: Stage, disk: str = "mmcblk8") -> dict[str, bytes]:
    devices = stage.dress.areas.items()
    return {
        name.removeprefix(disk): emmc.flush(device)
        for name, device in devices
        if name.startswith(disk)
    }


def contents(store: Path) -> set[str]:
    return {path.name for path in (store / "content").glob("??/*")}


def table(stage: Stage) -> bytes:
    return stage.target.device.read_bytes()[:MIB]


def test_areas_come_back_when_they_are_asked_for_and_else_by_hand(tmp_path: Path) -> None:
    with staged(tmp_path) as stage:
        report = stage.capture()
        shown = stage.shown()
        words = stage.dress.holdstill("show", "pier-3", *stage.store)
        before = table(stage)
        asked = stage.rebuild("--dry-run", "--boot-areas")
        plain = stage.rebuild("--dry-run")
        untouched = table(stage), on_medium(stage)

        said = stage.rebuild()
        left_alone = on_medium(stage)
        checked = ("verify", "pier-3", "--card", "/dev/mmcblk8", *stage.store)
        before_areas = stage.dress.holdstill(*checked)
        folder = tmp_path / "by-hand"
        folder.mkdir()
        commands = re.findall(r"`([^`]*(?:boot0|force_ro)[^`]*)`", said)
        own = [one for one in commands if "boot0" in one]
        by_hand = "\n".join(["set -e", f"cd {folder}", f"{own[0]} --store {stage.kept.store}",
                             *own[1:]])  # fmt: skip
        done = stage.dress.attempt("sh", "-c", by_hand.replace("holdstill get", _GET))
        assert done.returncode == 0, done.stderr.decode()
        after_hand = on_medium(stage)

        told = json.loads(stage.rebuild("--boot-areas", "--json"))
        written = on_medium(stage)
        after_areas = stage.dress.holdstill(*checked)
        guards = [stage.dress.guard(f"mmcblk8{name}") for name in ("boot0", "boot1", "gp0")]

    assert report["findings"] == []
    assert [area["name"] for area in shown["boot_areas"]] == ["boot0.bin", "gp0.bin"]
    assert [area["size"] for area in shown["boot_areas"]] == [4 * MIB, MIB]
    assert "4.0 MiB of boot0 (boot0.bin), 1.0 MiB of gp0 (gp0.bin)" in words
    assert untouched == (before, OLD)
    assert "put boot area boot0: 4.0 MiB to /dev/mmcblk8boot0" in asked
    assert "put boot area" not in plain
    for text in (plain, said):
        assert "boot0 of the board's eMMC (4.0 MiB beside its sectors" in text
        assert "is not written, unless --boot-areas is said" in text
        assert "echo 0 > /sys/block/mmcblk8boot0/force_ro" in text
        assert "PARTITION_CONFIG" in text
    assert "not checked: /dev/mmcblk8boot0, which is not as captured" in before_areas
    assert "not checked" not in after_areas
    assert left_alone == OLD
    assert after_hand == OLD | {"boot0": LOADER + OLD["boot0"][len(LOADER) :]}
    assert written == after_hand | {"gp0": OWN["gp0"]}
    assert told["boot_areas"] == ["/dev/mmcblk8boot0", "/dev/mmcblk8gp0"]
    assert guards == ["1", "1", "1"]


def test_the_page_in_the_store_writes_an_area_with_coreutils_only(tmp_path: Path) -> None:
    with staged(tmp_path) as stage:
        stage.capture()
        page = (stage.kept.store / "READ-ME-FIRST.txt").read_text()
        area, _ = stage.shown()["boot_areas"]
        function = page[page.index("pieces() {") : page.index("SH\n", page.index("pieces() {"))]
        lines = page[page.index("pieces SHA256-OF-BOOT0") : page.index("(For gp0")]
        told = lines.replace("SHA256-OF-BOOT0", str(area["sha256"]))
        told = told.replace("/root/", f"{tmp_path}/").replace("mmcblk0", "mmcblk8")
        script = f"set -e\nSTORE={stage.kept.store}\n{textwrap.dedent(function)}\n{told}"
        done = stage.dress.attempt("sh", "-c", script)
        assert done.returncode == 0, done.stderr.decode()

        assert on_medium(stage) == OLD | {"boot0": LOADER + OLD["boot0"][len(LOADER) :]}
        assert stage.dress.guard("mmcblk8boot0") == "1"


def test_a_changed_area_costs_its_pieces_and_nothing_else(tmp_path: Path) -> None:
    with staged(tmp_path) as stage:
        stage.capture()
        stage.capture()  # whatever the first one still had to note
        before = contents(stage.kept.store)
        changed = bytearray(LOADER)
        changed[3 * PIECE + 5 : 3 * PIECE + 15] = b"new loader"
        with stage.dress.areas["mmcblk7boot0"].device.open("r+b") as device:
            device.write(changed)
        stage.capture()
        new = contents(stage.kept.store) - before
        (area, _) = stage.shown()["boot_areas"]
        compared = stage.dress.holdstill("compare", "pier-3/2", "pier-3/3", *stage.store)
        listed = stage.kept.store / "content" / str(area["sha256"])[:2] / str(area["sha256"])
        size = listed.stat().st_size

    piece = hashlib.sha256(changed[3 * PIECE : 4 * PIECE]).hexdigest()
    others = {hashlib.sha256(LOADER[at : at + PIECE]).hexdigest() for at in range(0, MIB, PIECE)}
    assert {piece, area["sha256"]} <= new
    assert new.isdisjoint(others)
    assert size == 32 * (1 + 16 + 1)  # header, sixteen pieces, one run of holes
    assert "boot0: other bytes than before" in compared
    assert "gp0" not in compared


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (OLD | {"boot0": noise(6, 3 * MIB)}, "/dev/mmcblk8boot0 is too small by 1048576 bytes"),
        ({"boot0": OLD["boot0"]}, "the target has no gp0 of its own"),
        ({}, "the target has no boot0 of its own"),
    ],
    ids=["too-small", "one-lacking", "a-card"],
)
def test_an_eMMC_that_has_no_room_is_refused_before_anything_is_written(  # noqa: N802
    tmp_path: Path, other: dict[str, bytes], words: str
) -> None:
    with staged(tmp_path, other=other) as stage:
        stage.capture()
        before = table(stage)

        for more in ((), ("--dry-run",)):
            said = stage.rebuild("--boot-areas", *more, accepted=REFUSED)
            assert words in said
            assert "leave --boot-areas out" in said

        assert (table(stage), on_medium(stage)) == (before, other)


def test_a_locked_area_an_image_and_a_capture_without_areas_are_refused(tmp_path: Path) -> None:
    image = tmp_path / "pier-3.img"
    with staged(tmp_path) as stage:
        stage.add("leave_out: ['/dev/mmcblk7*']")
        left = stage.capture()
        nothing = stage.rebuild("--boot-areas", accepted=USAGE)
        stage.kept.settings.write_text(
            stage.kept.settings.read_text().replace("leave_out: ['/dev/mmcblk7*']", "")
        )
        stage.capture()
        stage.dress.lock("mmcblk8boot0")
        locked = stage.rebuild("--boot-areas", accepted=REFUSED)
        to_image = ("rebuild", "pier-3", image, *stage.store)
        refused = stage.dress.holdstill(*to_image, "--boot-areas", accepted=[REFUSED])
        assert not image.exists()
        said = stage.dress.holdstill(*to_image, accepted=[NEEDS_ATTENTION])

        assert on_medium(stage) == OLD

    findings = left["findings"]
    assert isinstance(findings, list)
    assert [(one["kind"], one["what"]) for one in findings] == [
        ("left out", "/dev/mmcblk7boot0"), ("left out", "/dev/mmcblk7gp0"),
    ]  # fmt: skip
    assert "has no boot areas" in nothing
    assert "/dev/mmcblk8boot0 is locked by the eMMC" in locked
    assert "the target has no boot0 of its own" in refused
    assert "of=/dev/mmcblkNboot0" in said


def test_an_area_that_does_not_take_what_is_written_is_told(tmp_path: Path) -> None:
    with staged(tmp_path) as stage:
        stage.capture()
        device = stage.dress.areas["mmcblk8boot0"].device
        programs.run("blockdev", "--setro", device)
        try:
            said = stage.rebuild("--boot-areas", accepted=11)
        finally:
            programs.run("blockdev", "--setrw", device)

        assert on_medium(stage) == OLD
        assert stage.dress.guard("mmcblk8boot0") == "1"
        assert programs.attempt("sfdisk", "--json", stage.target.device).returncode != 0

    assert "/dev/mmcblk8boot0 " in said
    assert ", by the kernel or by the eMMC itself" in said
    assert "no valid partition table" in said


def test_verify_names_a_damaged_area_and_a_rebuild_needs_it_only_if_asked(tmp_path: Path) -> None:
    with staged(tmp_path) as stage:
        stage.capture()
        digest = hashlib.sha256(LOADER[:PIECE]).hexdigest()
        stored = stage.kept.store / "content" / digest[:2] / digest
        stored.chmod(0o600)
        stored.write_bytes(LOADER[: PIECE - 1] + bytes([LOADER[PIECE - 1] ^ 1]))
        before = table(stage)

        verified = stage.dress.holdstill("verify", *stage.store, accepted=[VERIFICATION])
        taken = stage.dress.holdstill("get", "pier-3", "boot0.bin", "--to", tmp_path / "x",
                                      *stage.store, accepted=[VERIFICATION])  # fmt: skip
        asked = stage.rebuild("--boot-areas", accepted=VERIFICATION)
        assert (table(stage), on_medium(stage)) == (before, OLD)
        stage.rebuild()
        assert on_medium(stage) == OLD

    assert "boot0.bin" in verified
    assert "boot0.bin" in taken
    assert "boot0.bin" in asked
    assert not (tmp_path / "x").exists()


def test_an_area_in_use_and_one_too_large_are_missing(tmp_path: Path) -> None:
    with staged(tmp_path) as stage:
        general = stage.dress.areas["mmcblk7gp0"]
        programs.run("mkfs.ext4", "-q", "-F", general.device)
        with loop.mounted(general.device, tmp_path / "general"):
            stage.add("raw_limit: 2M")
            first = stage.capture(accepted=NEEDS_ATTENTION)
            areas = stage.shown()["boot_areas"]
        stage.add("leave_out: [/dev/mmcblk7boot0]")
        second = stage.capture()

        names = [area["name"] for area in stage.shown()["boot_areas"]]

    findings, later = first["findings"], second["findings"]
    assert isinstance(findings, list)
    assert isinstance(later, list)
    assert areas == []
    assert {one["what"]: one["kind"] for one in findings} == {
        "/dev/mmcblk7boot0": "missing", "/dev/mmcblk7gp0": "missing",
    }  # fmt: skip
    whys = [one["why"] for one in findings]
    assert any("it has 4.0 MiB, and `raw_limit`" in why for why in whys)
    assert any("it is in use" in why for why in whys)
    assert [(one["what"], one["kind"]) for one in later] == [("/dev/mmcblk7boot0", "left out")]
    assert names == ["gp0.bin"]
