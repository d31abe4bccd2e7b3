"""A rehearsal: start a card that is not needed, watch its console, report what was seen."""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import CommandError, PreflightError
from holdstill.model import paths, sizes
from holdstill.rehearse import bootable_card, console_markers, emulation, qemu_command, screenshot
from holdstill.rehearse.console_markers import ConsoleFinding  # noqa: TC001  msgspec reads the annotation
from holdstill.system import process, work_folder
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.rehearse.emulation import EmulatorSetup, LoaderConfig
    from holdstill.system.clocks import Clock

DEADLINE = 900.0
"""Seconds that a boot may take by default: an emulated Arm board takes a hundred here."""
SILENCE = 180.0
"""Seconds without output on the console after which nothing more is expected; more of them, in
proportion, where the caller allowed more than the usual time."""
POLL = 0.5
"""Seconds between two checks of the console."""
LOG_LIMIT = 8 << 20
"""Bytes of a console's log that we read: a boot in a loop prints without end, and is given up."""


class EmulatorProcess(Protocol):
    """A program that was started and may still run."""

    def status(self) -> int | None:
        """Return the exit code, None while it runs."""


class EmulatorRunner(Protocol):
    """A machine that runs tools and emulators."""

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        """Return what the command wrote; raise CommandError if it failed."""

    def running(
        self, command: Command, *, output: Path
    ) -> AbstractContextManager[EmulatorProcess]:
        """Run a command in the background, its output going to a file; it ends with the block."""


@dataclass(frozen=True)
class Rehearsal:
    """What a rehearsal has shown.

    Attributes:
        booted: whether the system showed a login prompt, or showed the requested sign.
        seconds: until then, or until it was given up.
        way: how the card was started.
        broken: the link of the boot chain that broke; None when it booted.
        remarks: what of the card could not be made; changes made to the scratch; services that
            failed although the system came up.
        unproven: what such a rehearsal can't show.
        log: the file with everything that the console printed.
        picture: a PNG of the screen at the end; "" when there is none.
    """

    booted: bool
    seconds: float
    way: str
    broken: ConsoleFinding | None
    remarks: tuple[str, ...]
    unproven: tuple[str, ...]
    log: str
    picture: str = ""


def rehearse(
    image: Path,
    *,
    runner: EmulatorRunner,
    clock: Clock,
    log: Path,
    deadline: float = DEADLINE,
    sign: str = "",
    picture: Path | None = None,
    further: Sequence[Path] = (),
) -> Rehearsal:
    """Boot a scratch image without a network and watch its serial console for signs of life.

    The image is changed: the system in it runs and writes, and its command line is made
    talkative first. Never pass one that is still needed.

    Args:
        image: a card image that can be thrown away.
        runner: runs the tools and the emulator.
        clock: measures the time.
        log: file to keep the console in.
        deadline: seconds after which the boot has failed.
        sign: regular expression on the console that means success; by default a login prompt.
        picture: file for a picture of the screen at the end, where the way has a screen.
        further: images of the board's other disks, thrown away as well.

    Raises:
        PreflightError: the emulator or its firmware is missing, or has no way to start this.
        LayoutError: the image has no partition table that could be read.
    """
    # The emulator works in another directory.
    image, log = image.absolute(), log.absolute()
    further = [path.absolute() for path in further]
    fit_slot(image)
    with ExitStack() as undo:
        work = undo.enter_context(work_folder.made())
        way = emulation.choose(undo.enter_context(bootable_card.opened(image)))
        way = way if picture else replace(way, screen=None)
        if way.missing is not None:
            log.write_bytes(b"")
            return not_started(way, way.missing, log)
        require(way)
        remarks = make_talkative(image, way, runner, work)
        log.write_bytes(b"")
        command = qemu_command.command(image, way, log, work, further)
        running = undo.enter_context(runner.running(command, output=work / "emulator"))
        watch = ConsoleWatch(running, clock, log, sign)
        seconds = watch.until(clock.monotonic() + deadline)
        refuse_broken_emulator(running, command, work / "emulator")
        judged = judge(watch, way, seconds, remarks)
        if picture and screenshot.photograph(work / qemu_command.CONTROL, picture.absolute()):
            return replace(judged, picture=str(picture.absolute()))
        return judged


@dataclass
class ConsoleWatch:
    """Follows a console until there is something to report."""

    running: EmulatorProcess
    clock: Clock
    log: Path
    sign: str

    @property
    def text(self) -> str:
        """What the console has printed so far."""
        with self.log.open("rb") as file:
            return console_markers.plain(file.read(LOG_LIMIT))

    def until(self, deadline: float) -> float:
        """Wait for life, for a stop or for the deadline; return the seconds that it took."""
        start = heard = self.clock.monotonic()
        silence = max(SILENCE, SILENCE / DEADLINE * (deadline - start))
        said = 0
        while not self._is_over() and not self.is_flooded:
            now, size = self.clock.monotonic(), self.log.stat().st_size
            if size != said:
                said, heard = size, now
            if now >= deadline or now - heard >= silence:
                break
            self.clock.sleep(POLL)
        return self.clock.monotonic() - start

    @property
    def is_flooded(self) -> bool:
        """Whether it has printed more than is read: nothing that comes now would be seen."""
        return self.log.stat().st_size > LOG_LIMIT

    def _is_over(self) -> bool:
        # In this order: what is printed between the two questions is not missed.
        ended = self.running.status() is not None
        text = self.text
        return (
            ended or console_markers.is_alive(text, self.sign) or console_markers.is_stopped(text)
        )


def not_started(way: EmulatorSetup, missing: ConsoleFinding, log: Path) -> Rehearsal:
    """Report what broke where that is known without starting anything."""
    return Rehearsal(
        booted=False,
        seconds=0.0,
        way=way.name,
        broken=missing,
        remarks=(),
        unproven=way.unproven,
        log=str(log),
    )


def judge(
    watch: ConsoleWatch, way: EmulatorSetup, seconds: float, remarks: tuple[str, ...]
) -> Rehearsal:
    """Report what a console shows."""
    text = watch.text
    booted = console_markers.is_alive(text, watch.sign)
    failed = tuple(f"a unit failed: {unit}" for unit in console_markers.failed_units(text))
    flood = f"the console printed more than {sizes.human(LOG_LIMIT)}; what was behind was not read"
    return Rehearsal(
        booted=booted,
        seconds=seconds,
        way=way.name,
        broken=None if booted else console_markers.broken(text),
        remarks=(*remarks, *failed, *([flood] if watch.is_flooded else [])),
        unproven=way.unproven,
        log=str(watch.log),
    )


def require(way: EmulatorSetup) -> None:
    """Check that the emulator and its firmware are installed.

    Raises:
        PreflightError: names the Debian package that is missing.
    """
    if way.firmware is not None:
        path, package = way.firmware
        if not path.exists():
            raise PreflightError(f"{path} is missing", hint=f"`apt-get install {package}`")
    process.require(way.program)


def fit_slot(image: Path) -> None:
    """Make the scratch image a size that an SD card can have: a power of two."""
    size = image.stat().st_size
    wanted = 1 << (size - 1).bit_length()
    if wanted != size:
        os.truncate(image, wanted)


def make_talkative(
    image: Path, way: EmulatorSetup, runner: EmulatorRunner, work: Path
) -> tuple[str, ...]:
    """Make the kernel in the scratch image log to the console; return what changed."""
    return tuple(
        remark
        for number, settings in enumerate(way.settings)
        for remark in _edit(image, settings, way.console, runner=runner, draft=work / f"{number}")
    )


def _edit(
    image: Path, settings: LoaderConfig, console: str, *, runner: EmulatorRunner, draft: Path
) -> Iterator[str]:
    raw = settings.volume.files.read(settings.path, limit=emulation.LIMIT)
    text = raw.decode(errors="surrogateescape")
    talkative = emulation.talkative_settings(text, settings.keyword, console)
    if talkative != text:
        draft.write_bytes(talkative.encode(errors="surrogateescape"))
        name = paths.display(settings.path)
        inside = f"{image}@@{settings.volume.start}"
        runner.run(Command.of("mcopy", "-o", "-i", inside, draft, f"::/{name}"))
        yield f"for the rehearsal only, /{name} has the kernel print to {console}"


def refuse_broken_emulator(running: EmulatorProcess, command: Command, said: Path) -> None:
    """Distinguish an emulator that failed from a card that does not boot.

    Raises:
        CommandError: the emulator failed.
    """
    status = running.status()
    if status:
        raise CommandError(str(command), status, said.read_bytes())
