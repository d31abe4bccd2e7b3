"""The main job, shown from end to end: capture a board that works, rebuild it, check the result.

Everything is done by the commands that a person would type; here they are only put in order,
and the result is checked.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from holdstill.demo import board, board_files, commands, evidence, loopback, material, workshop
from holdstill.demo.commands import Holdstill
from holdstill.demo.report import DemoReport, RebuiltCard
from holdstill.model.sizes import MIB
from holdstill.system import process
from holdstill.workflow.capture_report import CaptureReport
from holdstill.workflow.rebuild import RebuildReport

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from rich.console import Console  # noqa: TID251  the type alone: it is handed in

    from holdstill.demo.board import Board
    from holdstill.demo.loopback import Server
    from holdstill.demo.material import Share
    from holdstill.demo.workshop import Workshop
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner

ROOT_PARTITION = 2
SMALLER, LARGER = 704 * MIB, 1536 * MIB
"""Than the card, which has 1024 MiB."""
TAKEN_OUT = "/etc/hosts"
_PROGRAMS = ("sfdisk", "mkfs.vfat", "mcopy", "mke2fs", "rsync", "ssh", "sshd", "ssh-keygen")
_LOOP_PROGRAMS = ("losetup", "partx", "mount", "umount")


@dataclass(frozen=True)
class DemoDependencies:
    """What a demonstration needs.

    Attributes:
        machine: this machine.
        clock: measures.
        console: shows what is being done.
        shares: what the board gets of this machine's files.
    """

    machine: Runner
    clock: Clock
    console: Console
    shares: tuple[Share, ...] = field(default=material.SHARES)


@dataclass(frozen=True)
class _DemoRun:
    """Everything that the story is played on."""

    place: Workshop
    pier: Board
    server: Server
    holdstill: Holdstill
    clock: Clock
    console: Console

    @property
    def settings(self) -> Path:
        """The board's settings."""
        return self.place.folder / "board.yaml"

    @property
    def store(self) -> Path:
        """The keeper's store."""
        return self.place.folder / "store"


def run_demo(
    means: DemoDependencies, *, keep: Path | None = None, shortcoming: str = ""
) -> DemoReport:
    """Show the main job.

    Args:
        means: what it takes.
        keep: a new folder to work in that stays, with store and images; None to leave nothing.
        shortcoming: why a plain directory is to stand for the board; "" to have a card on a loop
            device, if that can be had.

    Raises:
        HoldstillError: something did not work; nothing stays mounted, attached or running.
    """
    process.require(*_PROGRAMS)
    began = means.clock.monotonic()
    shortcoming = shortcoming or board.why_no_loop_device(means.machine)
    if not shortcoming:
        process.require(*_LOOP_PROGRAMS)
    with workshop.opened(keep) as place:
        if shortcoming:
            means.console.print(
                f"No card on a loop device here ({shortcoming}): a plain directory stands for the "
                "board. It cannot be held still, so its captures are graded live: parts of them "
                "may be of different moments.",
                style="yellow",
            )
        means.console.print(
            f"Making the board {material.BOARD} and its keeper {material.KEEPER} in {place.folder}"
        )
        with _stage(place, shortcoming, means) as stage:
            # Make keys, settings and store; let the board in at the keeper.
            folder = stage.place.folder
            loopback.make_key(folder / "board_ed25519", means.machine)
            (folder / "keeper_host_keys").write_text(stage.server.known_hosts, encoding="ascii")
            stage.settings.write_bytes(_settings(stage))
            stage.holdstill.run("keeper", "init", stage.store)
            words = ("keeper", "enrol", stage.store, material.BOARD)
            line = stage.holdstill.run(*words, "--key", folder / "board_ed25519.pub")
            stage.server.authorized_keys.write_text(line, encoding="ascii")
            report = _play(stage, set_up_seconds=means.clock.monotonic() - began)
        kept = str(place.folder) if keep else ""
        return msgspec.structs.replace(report, shortcoming=shortcoming, kept=kept)


@contextmanager
def _stage(place: Workshop, shortcoming: str, means: DemoDependencies) -> Iterator[_DemoRun]:
    machine, clock = means.machine, means.clock
    raised = board.in_directory if shortcoming else board.on_loop_device
    with (
        loopback.running(place.folder, machine=machine, clock=clock) as server,
        raised(place.folder, machine=machine, clock=clock, shares=means.shares) as pier,
    ):
        shown = Holdstill(machine, means.console, here=place.folder)
        yield _DemoRun(place, pier, server, shown, clock, means.console)


def _settings(stage: _DemoRun) -> bytes:
    """Return the board's settings file; JSON is YAML."""
    folder = stage.place.folder
    settings = {
        "board": material.BOARD,
        "keeper": stage.server.address,
        "root": str(stage.pier.root),
        "disks": [stage.pier.disk],
        "key": str(folder / "board_ed25519"),
        "host_keys": str(folder / "keeper_host_keys"),
        "state": str(folder / "state"),
        "spool": str(stage.place.memory),
    }
    return msgspec.json.format(msgspec.json.encode(settings))


def _play(stage: _DemoRun, *, set_up_seconds: float) -> DemoReport:
    """Run the demonstration, and measure on the way."""
    began = stage.clock.monotonic()
    stage.holdstill.show("inspect", "--settings", stage.settings)
    entries = sum(1 for _ in stage.pier.root.rglob("*"))
    first = _capture(stage)
    day = board_files.live_on(stage.pier.root)
    second = _capture(stage)
    stage.holdstill.show("list", material.BOARD, "--store", stage.store)
    rebuilt = (_rebuild(stage, "smaller", SMALLER), _rebuild(stage, "larger", LARGER))
    stage.holdstill.show("bootcheck", stage.place.folder / "smaller.img")
    stage.console.print("(Firmware, kernel and initramfs of this board are stand-ins.)")
    # Take one file out of the newest capture; return what it holds.
    target = stage.place.folder / "taken-out"
    words = ("get", material.BOARD, TAKEN_OUT, "--to", target, "--store", stage.store)
    stage.holdstill.run(*words)
    taken_out = target.read_text(encoding="utf-8")
    return DemoReport(
        device=str(stage.pier.device or ""),
        keeper=stage.server.address,
        entries=entries,
        first=first,
        day=day,
        second=second,
        rebuilt=rebuilt,
        newest_reading=board.newest_reading(stage.pier.port),
        taken_out=taken_out,
        set_up_seconds=round(set_up_seconds, 1),
        seconds=round(stage.clock.monotonic() - began, 1),
    )


def _capture(stage: _DemoRun) -> CaptureReport:
    words = ("capture", "--settings", stage.settings)
    return stage.holdstill.ask(CaptureReport, *words, accepted=commands.SEALED)


def _rebuild(stage: _DemoRun, name: str, size: int) -> RebuiltCard:
    """Make an image of another size from the newest capture, and check it."""
    image = stage.place.folder / f"{name}.img"
    words = ("rebuild", material.BOARD, image, "--size", f"{size // MIB}M")
    done = stage.holdstill.ask(RebuildReport, *words, "--store", stage.store)
    newest_reading, broken = evidence.of_card(image, partition=ROOT_PARTITION)
    return RebuiltCard(name=name, done=done, broken=broken, newest_reading=newest_reading)
