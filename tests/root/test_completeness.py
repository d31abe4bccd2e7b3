"""Boards of which a capture holds only a part: every command says so, on real devices."""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypedDict

import pytest

from support import boards, loop, programs
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from support.boards import Nearby

pytestmark = pytest.mark.timeout(240)
DEGRADED = 8
SECOND_DISK = """\
label: dos
label-id: 0x11223344
start=8192, size=65536, type=c
start=73728, type=83
"""


class Finding(TypedDict):
    kind: str
    what: str
    why: str
    hint: str


@dataclass(frozen=True)
class Told:
    """What every command says about the findings of one board, as kind and what."""

    inspected: dict[str, str]
    captured: dict[str, str]
    shown: dict[str, str]
    listed: tuple[int, int, int]
    planned: dict[str, str]


def by_what(findings: Sequence[Finding]) -> dict[str, str]:
    return {finding["what"]: finding["kind"] for finding in findings}


def told(kept: Nearby, *, code: int, planned: int | None = None) -> Told:
    """Ask every command, once for programs and once for people; each has to name everything."""
    inspected = json.loads(
        holdstill("inspect", "--settings", kept.settings, "--offline", "--json")
    )
    report = json.loads(
        holdstill("capture", "--settings", kept.settings, "--json", accepted=[code])
    )
    shown = json.loads(holdstill("show", "pier-3", "--store", kept.store, "--json"))
    (brief,) = json.loads(holdstill("list", "--store", kept.store, "--json"))["boards"]["pier-3"]
    ask = ("rebuild", "pier-3", "/nowhere.img", "--dry-run", "--store", kept.store)
    expected = [code if planned is None else planned]
    plan = json.loads(holdstill(*ask, "--json", accepted=expected)) if expected != [4] else shown
    for words in (
        holdstill("inspect", "--settings", kept.settings, "--offline"),
        holdstill("show", "pier-3", "--store", kept.store),
        *((holdstill(*ask, accepted=expected),) if expected != [4] else ()),
    ):
        text = "".join(words.decode().split())
        for finding in shown["findings"]:
            assert "".join(finding["what"].split()) in text
    listed = (brief["missing"], brief["not_rebuildable"], brief["left_out"])
    if any(listed):
        table = "".join(holdstill("list", "--store", kept.store).decode().split())
        for count, kind in zip(listed, ("missing", "cannotberebuilt", "leftout"), strict=True):
            assert not count or f"{count}{kind}" in table
    return Told(
        by_what(inspected["findings"]),
        by_what(report["findings"]),
        by_what(shown["findings"]),
        listed,
        by_what(plan["findings"]),
    )


def all_say(found: Told, expected: dict[str, str]) -> None:
    """Check that every command says just this."""
    assert found.inspected == expected
    assert found.captured == expected
    assert found.shown == expected
    assert found.planned == expected
    kinds = list(expected.values())
    assert found.listed == tuple(
        kinds.count(kind) for kind in ("missing", "cannot be rebuilt", "left out")
    )


@contextmanager
def second_disk(folder: Path) -> Iterator[loop.LoopDisk]:
    """Hold another disk, with a FAT and an ext4 of data."""
    image = loop.partitioned_image(folder / "second.img", size=128 * MIB, script=SECOND_DISK)
    with loop.attached(image) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        programs.run("mkfs.ext4", "-q", disk.partition(2))
        yield disk


def test_a_boot_partition_and_data_on_another_disk_are_missing(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board, second_disk(tmp_path) as other:
        fstab = board.root / "etc/fstab"
        fstab.write_text(
            fstab.read_text() + "PARTUUID=11223344-01 /boot/firmware vfat defaults 0 2\n"
            "PARTUUID=11223344-02 /srv ext4 defaults 0 2\n"
        )
        # This kernel mounts no FAT: the line of fstab alone tells of it.
        with (
            loop.mounted(other.partition(2), board.root / "srv"),
            boards.kept_nearby(tmp_path, board.root) as kept,
        ):
            all_say(told(kept, code=DEGRADED), {"/srv": "missing", "/boot/firmware": "missing"})


def test_what_the_owner_leaves_out_is_told_and_no_alarm(tmp_path: Path) -> None:
    with (
        boards.running(tmp_path) as board,
        second_disk(tmp_path) as other,
        loop.mounted(other.partition(2), board.root / "srv"),
        boards.kept_nearby(tmp_path, board.root, more="leave_out: [/srv, /mnt/x]\n") as kept,
    ):
        found = told(kept, code=0)
        all_say(found, {"/srv": "left out"})
        said = json.loads(holdstill("inspect", "--settings", kept.settings, "--offline", "--json"))
        assert any("/mnt/x" in warning for warning in said["warnings"])


def test_a_board_of_one_disk_is_quiet(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board, boards.kept_nearby(tmp_path, board.root) as kept:
        all_say(told(kept, code=0), {})
