"""Boards with mounts that few have: of single files, out of sight, of what a hook takes away."""

from __future__ import annotations

import json
import tempfile
import threading
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import boards, loop, programs
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.boards import Board, Nearby

pytestmark = pytest.mark.timeout(240)
DEGRADED = 8
BOUND = "bind,private"
DATA = boards.MBR.replace(
    "start=90112, type=83", "start=90112, size=409600, type=83\nstart=499712, type=83"
)
"""A card with a third partition."""


@contextmanager
def board(folder: Path, kind: str = "ext4") -> Iterator[tuple[Board, Path]]:
    """Hold a board whose third partition has a file system, and the device of that."""
    with boards.running(folder, script=DATA, size=800 * MIB) as found:
        (found.root / "etc/machine-id").write_text("", encoding="ascii")
        device = found.disk.partition(3)
        programs.run(f"mkfs.{kind}", "-q", device)
        with loop.mounted(device, folder / "filling") as at:
            (at / "id").write_text("0123456789abcdef\n", encoding="ascii")
            (at / "readings").write_text("1.42 m\n", encoding="ascii")
        yield found, device


def captured(kept: Nearby, *, code: int = 0) -> dict[str, list[dict[str, object]]]:
    words = ("capture", "--settings", kept.settings, "--json")
    found: dict[str, list[dict[str, object]]] = json.loads(holdstill(*words, accepted=[code]))
    return found


def grades(report: dict[str, list[dict[str, object]]]) -> dict[object, object]:
    return {part["number"]: part["grade"] for part in report["parts"]}


@contextmanager
def bound_file(source: Path, target: Path) -> Iterator[None]:
    programs.run("mount", "--bind", "--make-private", source, target)
    try:
        yield
    finally:
        programs.run("umount", target)


@contextmanager
def hook(quiesce: str, resume: str = "true") -> Iterator[str]:
    """Hold two programs in a folder that nobody else can write to; yield the settings' words."""
    with tempfile.TemporaryDirectory(dir="/run") as folder:
        for name, text in (("quiesce", quiesce), ("resume", resume)):
            program = Path(folder, name)
            program.write_text(f"#!/bin/sh\nset -e\n{text}\n", encoding="utf-8")
            program.chmod(0o755)
        yield (
            f"hooks: [{{name: x, how: command, quiesce: [{folder}/quiesce], "
            f"resume: [{folder}/resume]}}]\n"
        )


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_a_partition_of_which_only_a_file_is_seen_is_captured_whole(
    tmp_path: Path, kind: str
) -> None:
    """As on systems with a read-only root, whose initramfs binds /etc/machine-id."""
    with board(tmp_path, kind) as (live, device), ExitStack() as undo:
        with loop.mounted(device, tmp_path / "initramfs") as at:
            undo.enter_context(bound_file(at / "id", live.root / "etc/machine-id"))
        with boards.kept_nearby(tmp_path, live.root) as kept:
            report = captured(kept)
            words = ("get", "pier-3", "3:/readings", "--to", tmp_path / "readings")
            holdstill(*words, "--store", kept.store)

    assert grades(report)[3] == "point-in-time"
    assert (tmp_path / "readings").read_text(encoding="ascii") == "1.42 m\n"


def test_what_is_made_writable_is_held_still_though_a_file_of_it_is_bound_last(
    tmp_path: Path,
) -> None:
    with board(tmp_path) as (live, device), ExitStack() as undo:
        data = undo.enter_context(loop.mounted(device, live.root / "data", options="ro"))
        undo.enter_context(bound_file(data / "id", live.root / "etc/machine-id"))
        undo.enter_context(loop.thaw_guard(data, seconds=60))
        more = undo.enter_context(
            hook(
                f"mount -o remount,rw {data}; echo 3 > {data}/told", f"mount -o remount,ro {data}"
            )
        )
        with boards.kept_nearby(tmp_path, live.root, more=more) as kept:
            report = captured(kept)
            words = ("get", "pier-3", "/data/told", "--to", tmp_path / "told")
            holdstill(*words, "--store", kept.store)

    assert grades(report)[3] in {"point-in-time", "read-only"}
    assert (tmp_path / "told").read_text(encoding="ascii") == "3\n"


def test_a_bind_that_a_hook_takes_away_does_not_end_the_capture(tmp_path: Path) -> None:
    """The file system is frozen by another mount of it."""
    with board(tmp_path) as (live, device), ExitStack() as undo:
        whole = undo.enter_context(loop.mounted(device, tmp_path / "whole"))
        for name in ("app", "state"):
            (whole / name).mkdir()
        app = live.root / "srv/app"
        undo.enter_context(loop.mounted(whole / "state", live.root / "var/state", options=BOUND))
        undo.enter_context(loop.thaw_guard(live.root / "var/state", seconds=60))
        app.mkdir(parents=True)
        programs.run("mount", "--bind", "--make-private", whole / "app", app)
        undo.callback(programs.attempt, "umount", app)
        more = undo.enter_context(hook(f"umount {app}", f"mount --bind {whole}/app {app}"))
        with boards.kept_nearby(tmp_path, live.root, more=more) as kept:
            report = captured(kept)

    assert grades(report)[3] == "point-in-time"


def test_a_file_in_use_on_what_is_mounted_out_of_sight_is_told(tmp_path: Path) -> None:
    with board(tmp_path) as (live, device), ExitStack() as undo:
        with loop.mounted(device, tmp_path / "outer") as outer:
            image = loop.blank_image(outer / "data.img", size=16 * MIB)
            programs.run("mkfs.ext4", "-q", "-F", image)
            inner = programs.run("losetup", "--find", "--show", image).decode().strip()
            undo.callback(programs.run, "losetup", "--detach", inner)
            undo.enter_context(loop.mounted(Path(inner), live.root / "data"))
            programs.run("umount", "--lazy", outer)
            programs.run("mount", device, outer)  # for the fixture, which unmounts it
        with boards.kept_nearby(tmp_path, live.root) as kept:
            words = ("inspect", "--settings", kept.settings, "--offline", "--json")
            before = json.loads(holdstill(*words))
            report = captured(kept, code=DEGRADED)

    for told in (before, report):
        (finding,) = (one for one in told["findings"] if one["what"] == str(device))
        assert finding["kind"] == "missing"
        assert "/data.img of it is in use as a device" in str(finding["why"])
    assert grades(report)[3] == "live"


def test_of_two_journals_only_that_of_the_unmounted_slot_is_kept(tmp_path: Path) -> None:
    slots = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size=204800, type=83
start=294912, size=65536, type=83
start=360448, type=5
start=362496, size=65536, type=83
start=430080, size=131072, type=83
start=563200, size=131072, type=83
"""
    with boards.running(tmp_path, script=slots, size=400 * MIB) as live, ExitStack() as undo:
        journals, users = ([live.disk.partition(n) for n in own] for own in ((3, 5), (6, 7)))
        for journal, user in zip(journals, users, strict=True):
            programs.run("mke2fs", "-q", "-O", "journal_dev", "-b", "4096", journal)
            programs.run("mkfs.ext4", "-q", "-b", "4096", "-J", f"device={journal}", user)
        data = undo.enter_context(loop.mounted(users[0], live.root / "data"))
        undo.enter_context(loop.thaw_guard(data, seconds=60))
        stop = threading.Event()
        writer = threading.Thread(target=_write, args=(data / "busy", stop))
        with boards.kept_nearby(tmp_path, live.root) as kept:
            writer.start()
            try:
                report = captured(kept)
            finally:
                stop.set()
                writer.join(60)

    why = {part["number"]: part["detection"] for part in report["parts"]}
    assert grades(report)[6] == "point-in-time"
    assert why[3] != why[5], "one is made again, the other copied as it is"


def _write(file: Path, stop: threading.Event) -> None:
    while not stop.wait(0.01):
        file.write_bytes(b"x" * 4096)
