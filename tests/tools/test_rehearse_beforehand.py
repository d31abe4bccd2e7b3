"""A board that no emulator here can start is refused before its rebuild, which may take hours."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import PreflightError
from holdstill.keeper import store as stores
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, emulator_choice, rehearse_capture
from support import plain_board

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.model.estimate import Stage

BOOT_CODE = b"\xfa\xeb\xfe"
"""No interrupts, and a loop."""


class Steps:
    """Progress that notes what was begun (`workflow.ports.Progress`)."""

    def __init__(self) -> None:
        self.begun: list[str] = []

    def step(self, text: str) -> None:
        self.begun.append(text)

    def update(self, done: int, total: int) -> None:
        del done, total

    def warn(self, text: str) -> None:
        self.begun.append(text)

    def expect(self, stages: Sequence[Stage]) -> None:
        self.begun += [stage.what for stage in stages]

    @contextmanager
    def muted(self) -> Iterator[None]:
        yield


def newest(root: Path) -> StoredCapture:
    return capture_ref.find(stores.open_store(root), "pier-3", runner=LocalRunner())


def rehearse(capture: StoredCapture, folder: Path, steps: Steps) -> None:
    rehearse_capture.boot(
        capture, machine=LocalRunner(), clock=SystemClock(), progress=steps, scratch=folder,
        log=folder / "log", picture=folder / "picture", deadline=1.0,
    )  # fmt: skip


def test_a_board_that_no_emulator_starts_is_refused_before_anything_is_written(
    tmp_path: Path,
) -> None:
    capture = newest(plain_board.captured(tmp_path).store)
    scratch, steps = tmp_path / "scratch", Steps()
    scratch.mkdir()

    with pytest.raises(PreflightError, match="no emulator could start it") as told:
        rehearse(capture, scratch, steps)

    assert steps.begun == []
    assert list(scratch.iterdir()) == []
    assert f"pier-3/{capture.name}" in str(told.value)
    assert "extlinux" in told.value.hint
    assert "holdstill bootcheck pier-3" in told.value.hint


def has_boot_code(root: Path) -> None:
    with (root.parent / "card.img").open("r+b") as card:
        card.write(BOOT_CODE)


def has_extlinux(root: Path) -> None:
    (root / "boot/extlinux").mkdir(parents=True)
    (root / "boot/extlinux/extlinux.conf").write_text("label x\n", encoding="ascii")


@pytest.mark.parametrize(
    ("change", "name"),
    [
        (has_boot_code, "the boot code in the card's first sector"),
        (has_extlinux, "U-Boot (not the card's own) and the card's extlinux.conf"),
    ],
)
def test_what_is_in_the_capture_says_how_its_card_is_started(
    tmp_path: Path, change: Callable[[Path], None], name: str
) -> None:
    capture = newest(plain_board.captured(tmp_path, change).store)

    assert emulator_choice.of(capture).name == name
