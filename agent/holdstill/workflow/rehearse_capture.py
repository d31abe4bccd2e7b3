"""Rebuild a capture onto a scratch image, boot that in an emulator, and note what it showed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.keeper import capture_notes
from holdstill.model import sizes
from holdstill.model.estimate import Stage
from holdstill.model.sizes import GIB
from holdstill.rehearse import rehearsal
from holdstill.system import termination, work_folder
from holdstill.workflow import before_start, emulator_choice, needed_programs, rebuild
from holdstill.workflow.rebuild import RebuildOptions
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.rebuild_goal import ImageGoal

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.rehearse.rehearsal import EmulatorRunner, Rehearsal
    from holdstill.system.clocks import Clock
    from holdstill.workflow.ports import Progress


BOOTING = "booting the scratch image in an emulator"
GIVEN_UP = "nothing was noted, and the scratch image is gone; the captures are as they were"
BOOT_SECONDS = 60.0
"""What a boot takes where the processor is the machine's own; several times that, emulated."""


def rehearse(
    store: Store,
    capture: StoredCapture,
    *,
    machine: EmulatorRunner,
    clock: Clock,
    progress: Progress,
    scratch: Path,
    log: Path,
    picture: Path,
    deadline: float,
    sign: str,
) -> Rehearsal:
    """Boot a capture as `boot` does, and note a boot that succeeded in the board's ledger."""
    found = boot(
        capture, machine=machine, clock=clock, progress=progress, scratch=scratch, log=log,
        picture=picture, deadline=deadline, sign=sign,
    )  # fmt: skip
    if found.booted:
        capture_notes.booted(store, capture.board, str(capture.name), clock=clock)
    return found


def boot(
    capture: StoredCapture,
    *,
    machine: EmulatorRunner,
    clock: Clock,
    progress: Progress,
    scratch: Path,
    log: Path,
    picture: Path,
    deadline: float,
    sign: str = "",
) -> Rehearsal:
    """Boot a capture on a scratch image, without a network; nothing in the store is touched.

    What was in encrypted containers is written unencrypted: nobody is there to type a passphrase.
    What the scratch image could not be made with, such as a loader whose installer this machine
    lacks, is among the remarks.

    Args:
        capture: what to boot.
        machine: runs tools and the emulator.
        clock: measures, and dates the note.
        progress: shows progress.
        scratch: directory with room for the images, one for each disk, which are sparse.
        log: file that keeps what the console printed.
        picture: file for what the screen showed at the end, where the board has one.
        deadline: seconds until the boot has failed.
        sign: regular expression that means success; "" for a login prompt.

    Raises:
        PreflightError: programs or firmware are missing, or no emulator could start this board.
    """
    needed = (
        *needed_programs.of_rebuild(capture.manifest(), scratch / "scratch.img", machine),
        *needed_programs.of_emulator(capture.manifest()),
    )
    before_start.refuse(before_start.of_programs(needed))
    emulator_choice.check(capture)
    with termination.noting(lambda: GIVEN_UP, is_all=True), work_folder.made(scratch) as folder:
        images: list[Path] = []
        notes: list[str] = []
        for place, disk in enumerate(capture.manifest().disks, start=1):
            images.append(folder / f"scratch-{place}.img")
            made = rebuild.rebuild(
                capture,
                ImageGoal(
                    images[-1],
                    wanted=scratch_size(disk.size) if place == 1 else 0,
                    instead=_elsewhere(capture),
                ),
                RebuildOptions(disk=place, plain=True),
                RebuildDependencies(machine, clock, _BootToCome(progress)),
            )
            notes += made.notes
        progress.step(BOOTING)
        found = rehearsal.rehearse(
            images[0], runner=machine, clock=clock, log=log, picture=picture, deadline=deadline,
            sign=sign, further=images[1:],
        )  # fmt: skip
    return replace(found, remarks=(*notes, *found.remarks))


def _elsewhere(capture: StoredCapture) -> str:
    """Return what to do where there is no room for the scratch image."""
    return (
        "make room there, or give it a folder on a disk that has more (`df -h` shows them): "
        f"`holdstill rehearse {capture.board}/{capture.name} --scratch DIR`"
    )


class _BootToCome:
    """Progress of what comes before a boot (`workflow.ports.Progress`)."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self.step, self.update = progress.step, progress.update
        self.warn, self.muted = progress.warn, progress.muted

    def expect(self, stages: Sequence[Stage]) -> None:
        """Say what is still to come, the boot at its end."""
        self._progress.expect((*stages, Stage(BOOTING, BOOT_SECONDS)))


def scratch_size(size: int) -> int:
    """Return the size of the scratch image: emulated SD cards have a power of two."""
    power = GIB
    while power < size:
        power *= 2
    return sizes.Bytes(power)
