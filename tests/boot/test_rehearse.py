"""Rehearsals of real cards: good ones pass, and of bad ones the link that broke is named."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.rehearse import rehearsal as run
from holdstill.rehearse.console_markers import BootStage
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support.vm import board, here, spoil

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.timeout(600)

NOT_AS_IT_SHOULD_BE = 7
"""The exit code of verification."""


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> board.Card:
    return board.build_card(board.tree(), tmp_path_factory.mktemp("card") / "card.img")


@pytest.fixture
def scratch(card: board.Card, tmp_path: Path) -> Path:
    spoil.copy(card, tmp_path / "scratch.img")
    return tmp_path / "scratch.img"


# Whole captures, of a card in this machine, as the settings `root` and `disk` allow -----------


def test_a_good_capture_boots_and_the_keeper_notes_it(
    scratch: Path, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    kept = here.capture(scratch, tmp_path)

    rehearsal = here.rehearse(kept, tmp_path)

    assert rehearsal.returncode == 0, rehearsal
    measured(f"alive after {json.loads(rehearsal.stdout)['seconds']:.1f} s")
    assert b"pier-3 login:" in (tmp_path / "console").read_bytes()
    # W3C, Portable Network Graphics, 5.2: the signature of every PNG.
    assert (tmp_path / "console.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert [brief["booted_at"] != "" for brief in kept.briefs()] == [True]


@pytest.mark.parametrize(
    ("fault", "link"), [("no-kernel", BootStage.KERNEL), ("wrong-root", BootStage.ROOT)]
)
def test_a_broken_capture_fails_and_the_broken_link_is_named(
    scratch: Path, tmp_path: Path, fault: str, link: BootStage, measured: Callable[[str], None]
) -> None:
    spoil.BY_UEFI[fault](scratch)
    kept = here.capture(scratch, tmp_path)

    rehearsal = here.rehearse(kept, tmp_path)

    assert rehearsal.returncode == NOT_AS_IT_SHOULD_BE, rehearsal
    found = json.loads(rehearsal.stdout)
    measured(f"given up after {found['seconds']:.1f} s")
    assert found["broken"]["link"] == link
    assert [brief["booted_at"] for brief in kept.briefs()] == [""]


@pytest.mark.slow
def test_a_keeper_that_lacks_the_installer_of_a_loader_says_so(
    scratch: Path, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    spoil.no_loader(scratch)
    kept = here.capture(scratch, tmp_path)

    rehearsal = here.rehearse(kept, tmp_path, programs_in=all_but("syslinux", tmp_path / "bin"))

    assert rehearsal.returncode == NOT_AS_IT_SHOULD_BE, rehearsal
    found = json.loads(rehearsal.stdout)
    measured(f"given up after {found['seconds']:.1f} s: {found['broken']}")
    assert found["broken"]["link"] == BootStage.LOADER
    assert any("lacks the programs syslinux" in remark for remark in found["remarks"])


def all_but(name: str, folder: Path) -> str:
    """Return a search path to all programs of this machine but one."""
    folder.mkdir()
    for place in ("/usr/sbin", "/usr/bin"):
        for program in Path(place).iterdir():
            if program.name != name and not (folder / program.name).is_symlink():
                (folder / program.name).symlink_to(program)
    return str(folder)


# Single cards -----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("fault", [*spoil.BY_UEFI, *spoil.BY_BOOT_CODE])
def test_a_card_boots_only_if_no_link_is_broken(
    scratch: Path, fault: str, measured: Callable[[str], None]
) -> None:
    if fault in spoil.BY_BOOT_CODE:
        spoil.no_loader(scratch)
    (spoil.BY_UEFI | spoil.BY_BOOT_CODE)[fault](scratch)

    picture = scratch.with_name("screen.png")
    rehearsal = run.rehearse(
        scratch,
        runner=LocalRunner(),
        clock=SystemClock(),
        log=scratch.with_name("console.log"),
        deadline=400,
        picture=picture,
    )

    measured(f"over after {rehearsal.seconds:.1f} s: {rehearsal.broken or 'booted'}")
    assert rehearsal.booted is (fault in {"good", "sd-good"})
    assert (rehearsal.broken is None) is rehearsal.booted
    if fault in spoil.BY_BOOT_CODE or not picture.exists():
        assert rehearsal.picture == ""
    else:
        # W3C, Portable Network Graphics, 5.2: the signature of every PNG.
        assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
        assert rehearsal.picture == str(picture)
    assert fault != "good" or picture.exists()
