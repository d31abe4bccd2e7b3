from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import CommandError, PreflightError
from holdstill.rehearse import emulation
from holdstill.rehearse import rehearsal as run
from holdstill.rehearse.console_markers import BootStage
from holdstill.rehearse.emulation import EmulatorSetup, Slot
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Mapping

WAY = EmulatorSetup(
    name="a way made up for a test",
    program=emulation.X86,
    words=(),
    slot=Slot.VIRTIO,
    console="ttyS0",
    unproven=("everything else",),
)


class FakeEmulator:
    """Prints what the test says when the test says so; the clock is its own."""

    def __init__(
        self, log: Path, says: Mapping[float, bytes], *, ends: float = 1e9, how: int = 0
    ) -> None:
        self.log = log
        self.says = dict(says)
        self.ends = ends
        self.how = how
        self.time = 0.0
        log.write_bytes(b"")

    def status(self) -> int | None:
        return self.how if self.time >= self.ends else None

    def monotonic(self) -> float:
        return self.time

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.time, UTC)

    def sleep(self, seconds: float) -> None:
        self.time += seconds
        for moment in [moment for moment in self.says if moment <= self.time]:
            with self.log.open("ab") as log:
                log.write(self.says.pop(moment))


def watch(emulator: FakeEmulator, sign: str = "") -> run.ConsoleWatch:
    return run.ConsoleWatch(emulator, emulator, emulator.log, sign)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "console.log"


def test_a_login_prompt_ends_the_rehearsal_at_once(log: Path) -> None:
    emulator = FakeEmulator(log, {10: b"Welcome to Debian\n", 20: b"pier-3 login: "})
    watching = watch(emulator)

    seconds = watching.until(600)
    rehearsal = run.judge(watching, WAY, seconds, ("a remark",))

    assert (rehearsal.booted, rehearsal.seconds, rehearsal.broken) == (True, 20, None)
    assert rehearsal.remarks == ("a remark",)
    assert (rehearsal.way, rehearsal.unproven) == (WAY.name, WAY.unproven)


def test_a_stop_ends_the_rehearsal_before_the_deadline(log: Path) -> None:
    stop = b"ALERT!  PARTUUID=dead0000-02 does not exist.  Dropping to a shell!\n(initramfs) "
    emulator = FakeEmulator(log, {30: stop})
    watching = watch(emulator)

    seconds = watching.until(600)
    rehearsal = run.judge(watching, WAY, seconds, ())

    assert (rehearsal.booted, rehearsal.seconds) == (False, 30)
    assert rehearsal.broken is not None
    assert rehearsal.broken.link is BootStage.ROOT


def test_an_emulator_that_ends_ends_the_rehearsal(log: Path) -> None:
    emulator = FakeEmulator(log, {5: b"[ 1.0] Linux version 6.1\n"}, ends=12)

    assert watch(emulator).until(600) == 12


def test_the_last_words_before_an_end_still_count(log: Path) -> None:
    emulator = FakeEmulator(log, {12: b"pier-3 login: "}, ends=12)
    watching = watch(emulator)

    seconds = watching.until(600)

    assert run.judge(watching, WAY, seconds, ()).booted


def test_the_deadline_ends_a_boot_that_only_talks(log: Path) -> None:
    emulator = FakeEmulator(log, {float(second): b"." for second in range(700)})

    assert watch(emulator).until(600) == 600


def test_a_console_that_prints_without_end_ends_the_rehearsal(log: Path) -> None:
    second = b"[ 1.0] again and again\n" * 50_000
    emulator = FakeEmulator(log, {float(number): second for number in range(600)})
    watching = watch(emulator)

    seconds = watching.until(600)
    rehearsal = run.judge(watching, WAY, seconds, ())

    assert log.stat().st_size < run.LOG_LIMIT + 2 * len(second)
    assert not rehearsal.booted
    assert "printed more than 8.0 MiB" in rehearsal.remarks[0]


def test_a_long_silence_ends_the_rehearsal(log: Path) -> None:
    emulator = FakeEmulator(log, {40: b"[ 1.0] Waiting for root device\n"})

    assert watch(emulator).until(900) == 40 + run.SILENCE


def test_whoever_allows_a_slow_machine_more_time_allows_it_more_silence(log: Path) -> None:
    words = {40.0: b"[ 1.0] Waiting for root device\n", 540.0: b"[ 9.0] there it is\n"}

    assert watch(FakeEmulator(log, words)).until(3600) == 540 + 4 * run.SILENCE


def test_a_sign_that_was_asked_for_is_waited_for(log: Path) -> None:
    emulator = FakeEmulator(log, {20: b"pier-3 login: \n", 50: b"gauge ready\n"})
    watching = watch(emulator, "gauge ready")

    assert watching.until(600) == 50


def test_failed_services_are_remarked_although_the_board_came_up(log: Path) -> None:
    words = b"[FAILED] Failed to start tide-gauge.service\npier-3 login: "
    watching = watch(FakeEmulator(log, {1: words}))

    rehearsal = run.judge(watching, WAY, watching.until(600), ())

    assert rehearsal.booted
    assert rehearsal.remarks == ("a unit failed: Failed to start tide-gauge.service",)


def test_a_missing_firmware_names_its_package() -> None:
    way = EmulatorSetup(
        **{**vars(WAY), "firmware": (Path("/nonexistent/firmware"), "some-package")},
    )

    with pytest.raises(PreflightError) as refused:
        run.require(way)

    assert refused.value.hint == "`apt-get install some-package`"


def test_an_emulator_that_failed_is_no_board_that_does_not_boot(tmp_path: Path) -> None:
    (tmp_path / "said").write_bytes(b"could not set up the memory")
    emulator = FakeEmulator(tmp_path / "log", {}, ends=0, how=1)

    with pytest.raises(CommandError, match="could not set up the memory"):
        run.refuse_broken_emulator(emulator, Command.of("emulator"), tmp_path / "said")


@pytest.mark.parametrize(
    ("size", "fitted"), [(1 << 20, 1 << 20), ((1 << 20) + 512, 2 << 20), (3 << 20, 4 << 20)]
)
def test_a_scratch_image_gets_a_size_that_an_sd_card_can_have(
    tmp_path: Path, size: int, fitted: int
) -> None:
    image = tmp_path / "scratch.img"
    image.write_bytes(bytes(size))

    run.fit_slot(image)

    assert image.stat().st_size == fitted
