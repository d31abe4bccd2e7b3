"""Rehearsals of real cards: good ones pass, and of bad ones the link that broke is named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.rehearse import run
from holdstill.rehearse.signs import Link
from holdstill.system.clock import SystemClock
from holdstill.system.process import LocalRunner
from support.vm import board, spoil

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.timeout(420)


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> board.Card:
    return board.build_card(board.tree(), tmp_path_factory.mktemp("card") / "card.img")


@pytest.fixture
def scratch(card: board.Card, tmp_path: Path) -> Path:
    spoil.copy(card, tmp_path / "scratch.img")
    return tmp_path / "scratch.img"


def rehearse(image: Path) -> run.Rehearsal:
    log = image.with_name("console.log")
    return run.rehearse(image, runner=LocalRunner(), clock=SystemClock(), log=log, deadline=360)


def test_a_good_card_boots_and_its_console_is_kept(
    scratch: Path, measured: Callable[[str], None]
) -> None:
    rehearsal = rehearse(scratch)

    measured(f"alive after {rehearsal.seconds:.1f} s")
    assert rehearsal.booted, rehearsal.log.read_text(errors="replace")
    assert rehearsal.broken is None
    assert b"pier-3 login:" in rehearsal.log.read_bytes()


@pytest.mark.parametrize(
    ("fault", "link"),
    [("no-kernel", Link.KERNEL), ("no-initramfs", Link.INITRAMFS), ("wrong-root", Link.ROOT)],
)
def test_a_broken_card_fails_and_the_broken_link_is_named(
    scratch: Path, fault: str, link: Link, measured: Callable[[str], None]
) -> None:
    spoil.BY_UEFI[fault](scratch)

    rehearsal = rehearse(scratch)

    measured(f"given up after {rehearsal.seconds:.1f} s")
    assert not rehearsal.booted
    assert rehearsal.broken is not None
    assert rehearsal.broken.link is link


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["sd-good", "sd-no-kernel"])
def test_a_card_with_boot_code_is_started_by_it(scratch: Path, fault: str) -> None:
    spoil.no_loader(scratch)
    spoil.BY_BOOT_CODE[fault](scratch)

    rehearsal = rehearse(scratch)

    assert rehearsal.booted is (fault == "sd-good")
    assert any("UEFI" in doubt for doubt in rehearsal.unproven)
