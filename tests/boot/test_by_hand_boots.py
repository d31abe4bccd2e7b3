"""The page that lies in every store makes a card that boots, on a machine without our tool.

A board is captured over the network. Another emulated machine, which has the store on one disk
and a blank card in a slot, is given the page's own commands, in its own order. The blanks that
a person fills in are filled in from the manifest.
"""

from __future__ import annotations

import re
import textwrap
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import msgspec
import pytest

from support import programs
from support.vm import board, cycle, evidence, machine

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from support.vm.cycle import Copy, Original

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]

GIB = 1 << 30
CARD, STORE_DISK = "/dev/vdb", "/dev/vdc"
NOT_KEPT_BY_HAND = {cycle.ODD.encode() + b"/" + name for name in (b"socket", b"not \xff utf-8")}
"""What the page says may be missing: sockets, and names that are not UTF-8."""
FLAGS = ("flags",)
"""What the page does not promise: immutable and append-only files."""


@dataclass(frozen=True)
class Made:
    """What was seen on the original and on the card that was made by hand."""

    card: board.Card
    original: Original
    copy: Copy
    seconds: float
    said: str
    digests: tuple[str, str]


def blocks(page: str) -> dict[str, str]:
    """Return the commands of each numbered step, as a person copies them."""
    steps = re.split(r"(?m)^(\d)\. ", page)
    return {number: commands(text) for number, text in zip(steps[1::2], steps[2::2], strict=True)}


def commands(step: str) -> str:
    """Return the lines of a step that are set off from its prose, and what stands in quotes."""
    quoted = re.findall(r"^`([^`]+)`", step)
    lines = [line for line in step.splitlines() if line.startswith("       ")]
    text = re.sub(r" {3,}\(.*\)$", "", textwrap.dedent("\n".join(lines)), flags=re.MULTILINE)
    return "\n".join([*quoted, text]).strip() + "\n"


class Row(msgspec.Struct):
    """A partition, as the page has a person read it in the manifest."""

    start: int
    size: int
    type: str
    bootable: bool

    def __str__(self) -> str:
        bootable = ", bootable" if self.bootable else ""
        return f"start={self.start}, size={self.size}, type={self.type}{bootable}"


class Disk(msgspec.Struct):
    """The partition table."""

    label: str
    id: str
    partitions: list[Row]

    def __str__(self) -> str:
        return "\n".join(
            [f"label: {self.label}", f"label-id: {self.id}", *map(str, self.partitions)]
        )


class FileSystem(msgspec.Struct):
    """What makes a file system the same one again."""

    label: str
    volume_id: int = 0
    uuid: str = ""


class Part(msgspec.Struct):
    """What a partition held."""

    file_system: FileSystem


class Attached(msgspec.Struct):
    """A list of pieces that the manifest names."""

    sha256: str


class Manifest(msgspec.Struct):
    """What the page needs of a manifest."""

    disk: Disk
    parts: list[Part]
    index: Attached
    gap: Attached | None = None


def filled_in(page: str, manifest: Manifest, name: str) -> str:
    """Return the page's commands as one script, with this capture's names in the blanks."""
    step = blocks(page)
    fat, root = (part.file_system for part in manifest.parts)
    step["1"] = step["1"].replace("BOARD", "pier-3").replace("NUMBER-TIME", name)
    step["2"] = step["2"].replace("/dev/sdX", CARD)
    step["2"] = re.sub(r"(?s)(<<TABLE\n).*?(?=\nTABLE\n)", rf"\g<1>{manifest.disk}", step["2"])
    made = step["3"].replace("LABEL", fat.label, 1).replace("A40DE785", f"{fat.volume_id:08X}")
    step["3"] = made.replace("UUID", root.uuid).replace("LABEL", root.label)
    step["1"] = step["1"].replace("SHA256-OF-THE-INDEX", manifest.index.sha256)
    # "see step 6": if the manifest has a gap, before step 5.
    gap = ""
    if manifest.gap is not None:
        gap = step["6"].replace("SHA256-OF-THE-GAP", manifest.gap.sha256)
    # e2fsck(8): 1 is a file system that was put in order.
    check = f"{step['5'].strip()} || [ $? -eq 1 ]\n"
    return "\n".join([step["1"], step["2"], step["3"], step["4"], gap, check])


def store_disk(store: Path, image: Path) -> Path:
    """Make a disk that holds the store, hard links and all."""
    image.touch()
    programs.run("mke2fs", "-q", "-F", "-t", "ext4", "-d", store, image, "2g", timeout=300)
    return image


def made_by_hand(
    card: board.Card, store: Path, folder: Path, *, which: int = 0
) -> tuple[board.Card, float, str]:
    """Do what the page says for one of the captures, oldest first, on another machine."""
    image = folder / "by-hand.img"
    image.touch()
    with image.open("r+b") as file:
        file.truncate(2 * GIB)
    capture = sorted((store / "boards/pier-3/captures").iterdir())[which]
    manifest = msgspec.yaml.decode((capture / "manifest.yaml").read_bytes(), type=Manifest)
    page = (store / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    script = filled_in(page, manifest, capture.name)
    disks = [
        word
        for path in (image, store_disk(store, folder / "store.img"))
        for word in ("-drive", f"file={path},format=raw,if=virtio,cache=unsafe")
    ]
    workshop = board.build_card(card.tree, folder / "workshop.img")
    with machine.booted(workshop, (*machine.from_uefi(workshop.image), *disks)) as pier:
        pier.run("systemctl", "is-system-running", "--wait", timeout=300)
        pier.run("rm", "-rf", "/opt/holdstill", "/usr/local/bin/holdstill")
        pier.run("mount", "-o", "ro", STORE_DISK, "/srv", timeout=60)
        before = time.monotonic()
        said = pier.run("sh", "-c", "cd /srv && sh -s 2>&1", stdin=script.encode(), timeout=3000)
        seconds = time.monotonic() - before
        pier.stop()
    return replace(card, image=image), seconds, said.decode(errors="replace")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("by-hand")
    card = board.build_card(board.tree(), folder / "card.img")
    with cycle.keeper(folder) as at:
        original = cycle.be_captured(card, at, cycle.Course(), cycle.Stopwatch())
    copy_card, seconds, said = made_by_hand(card, at.store, folder)
    with machine.booted(copy_card, machine.from_uefi(copy_card.image)) as pier:
        copy = cycle.look(pier)
        pier.stop()
    computed, written = said.splitlines()[:2]
    return Made(card, original, copy, seconds, said, (computed.split()[0], written))


def test_the_manifest_shows_that_it_is_whole(made: Made) -> None:
    computed, written = made.digests

    assert len(computed) == 64
    assert computed in written


def test_the_card_boots_and_every_service_runs(
    made: Made, measured: Callable[[str], None]
) -> None:
    measured(f"made by hand in {made.seconds:.0f} s")
    assert (made.copy.state, made.copy.failed_units) == (b"running\n", b"")
    assert made.copy.readings[0] < made.copy.readings[1]
    assert evidence.broken_promises(made.copy.found) == []


def test_the_card_has_the_ids_of_the_original(made: Made) -> None:
    ids = made.card.ids
    fat = f"{ids.fat[:4]}-{ids.fat[4:]}"

    rows = [line.split() for line in made.copy.devices.decode().splitlines()]

    assert [ids.partition(1), fat, "BOOTFS", "/boot/firmware"] in rows
    assert [ids.partition(2), ids.root, "rootfs", "/"] in rows
    assert made.copy.machine_id == made.original.machine_id


def kept_by_hand(entries: Mapping[bytes, dict[str, object]]) -> dict[bytes, dict[str, object]]:
    """Return what the page promises to keep."""
    return {
        path: {key: value for key, value in entry.items() if key not in not_promised(path)}
        for path, entry in entries.items()
        if path not in NOT_KEPT_BY_HAND
    }


def not_promised(path: bytes) -> tuple[str, ...]:
    # Linux shows a FAT's attribute "read-only" as a mode.
    return (*FLAGS, "mtime_ns", "mode") if path.startswith(b"/boot/firmware") else FLAGS


def test_every_entry_is_as_the_page_promises(made: Made) -> None:
    original = kept_by_hand(made.original.entries)
    copy = kept_by_hand(made.copy.entries)

    differing = {
        path: (original.get(path), copy.get(path))
        for path in original.keys() | copy.keys()
        if original.get(path) != copy.get(path)
    }

    assert differing == {}, made.said[-3000:]
    assert len(original) > 500


DATABASE = "/var/lib/readings.db"
WRITE_DATABASE = """\
import os, sqlite3, sys
path, night = sys.argv[1], int(sys.argv[2])
db = sqlite3.connect(path)
if night == 0:
    db.execute("CREATE TABLE reading (id INTEGER PRIMARY KEY, metres BLOB)")
    rows = ((number,) for number in range(512))
    db.executemany("INSERT INTO reading VALUES (?, randomblob(49152))", rows)
rows = ((number,) for number in range(night, 512, 101))
db.executemany("UPDATE reading SET metres = randomblob(49152) WHERE id = ?", rows)
db.commit()
db.close()
if night == 0:
    os.truncate(path, 1 << 30)
"""
"""Of 1 GiB, 24 MiB are written; the rest is room that was allocated in advance."""
CHECK_DATABASE = """\
import sqlite3, sys
print(sqlite3.connect(sys.argv[1]).execute("PRAGMA integrity_check").fetchone()[0])
"""


@dataclass(frozen=True)
class Nights:
    """A board that was captured five times, and what its database was each time."""

    card: board.Card
    store: Path
    digests: list[bytes]


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    folder = tmp_path_factory.mktemp("five-nights")
    card = board.build_card(board.tree(), folder / "card.img")
    with (
        cycle.keeper(folder) as at,
        machine.booted(
            card, machine.from_sd_card(card.image), hardware=machine.Hardware(reaches_host=True)
        ) as pier,
    ):
        cycle.prepare(pier)
        cycle.enrol(pier, at)
        digests = [captured_in(pier, night) for night in range(5)]
        pier.stop()
    return Nights(card, at.store, digests)


def captured_in(pier: machine.Machine, night: int) -> bytes:
    """Write to the database and take a capture; return the database's digest."""
    pier.run("python3", "-c", WRITE_DATABASE, DATABASE, str(night), timeout=300)
    digest = digest_of_database(pier)
    pier.run("python3", "-", stdin=(board.GUEST / "costs.py").read_bytes(), timeout=3000)
    return digest


def digest_of_database(pier: machine.Machine) -> bytes:
    return pier.run("sha256sum", DATABASE, timeout=600).split()[0]


@pytest.mark.parametrize("which", [0, 4], ids=["oldest", "newest"])
def test_any_of_five_captures_boots_with_its_own_large_database(
    nights: Nights, tmp_path: Path, which: int
) -> None:
    made, _, said = made_by_hand(nights.card, nights.store, tmp_path, which=which)

    with machine.booted(made, machine.from_uefi(made.image)) as pier:
        state = pier.run("systemctl", "is-system-running", "--wait", timeout=300)
        digest = digest_of_database(pier)
        soundness = pier.run("python3", "-c", CHECK_DATABASE, DATABASE, timeout=600)
        pier.stop()

    assert state == b"running\n", said[-3000:]
    assert digest == nights.digests[which]
    assert soundness == b"ok\n"
    assert len(set(nights.digests)) == 5
