"""Arm boards, emulated: captured, rebuilt, booted by U-Boot and as a Pi boots, and rehearsed."""

from __future__ import annotations

import base64
import json
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pytest

from holdstill.rehearse import rehearsal
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support.vm import board, cycle, evidence, here, line, machine, spoil

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.demo.gauge_check import Found
    from holdstill.rehearse.console_markers import BootStage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
WITNESS = "python3 /run/fingerprint.py " + " ".join(cycle.STILL)


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> board.Card:
    folder = tmp_path_factory.mktemp("card")
    return board.build_card(board.tree(board.ARM), folder / "card.img")


@dataclass(frozen=True)
class Seen:
    """What was seen on a Pi-type board, over its serial line."""

    seconds: float
    model: bytes
    state: bytes
    failed: bytes
    root: bytes
    found: Found
    readings: tuple[int, int]


def captured(image: Path, folder: Path) -> here.Kept:
    """Capture a copy of a card in this machine."""
    spoil.copy(board.Card(image, board.Ids(), board.tree(board.ARM)), folder / "original.img")
    return here.capture(folder / "original.img", folder)


def rebuilt(card: board.Card, kept: here.Kept, folder: Path) -> board.Card:
    """Rebuild the newest capture."""
    image = folder / "rebuilt.img"
    here.holdstill("rebuild", "pier-3", image, "--store", kept.store)
    return replace(card, image=image)


def newest_reading(console: line.Line) -> int:
    script = base64.b64encode(evidence.ASK_THE_GAUGE.encode()).decode()
    said = console.run(f"echo {script} | base64 -d | python3 -")
    return int(json.loads(said)["seq"])


def look(console: line.Line) -> Seen:
    """Log in on the serial line and look around."""
    before = time.monotonic()
    console.log_in(1800)
    seconds = time.monotonic() - before
    return Seen(
        seconds,
        console.run("cat /proc/device-tree/model"),
        console.run("systemctl is-system-running --wait", 600),
        console.run("systemctl --failed --no-legend"),
        console.run("findmnt --noheadings --output SOURCE,PARTUUID,UUID /"),
        # The card was never started before: what the gauge finds, it finds at its second start.
        evidence.decode(
            console.run("systemctl restart tide-gauge && cat /run/tide-gauge/found.json")
        ),
        (newest_reading(console), newest_reading(console)),
    )


def test_an_arm_board_is_captured_from_inside_and_its_copy_started_by_u_boot(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    by_u_boot = machine.from_u_boot
    course = cycle.Course(flavour=board.ARM, starts=by_u_boot, copy_starts=by_u_boot)

    life = cycle.live(tmp_path, course)

    report = life.original.report
    measured(str(life.watch))
    measured(f"agent: {life.original.agent_kib} KiB, {life.original.agent_cpu_s} CPU s")
    measured(f"frozen {report.frozen_ms} ms; longest writes {life.original.stall.longest_s} s")
    assert (life.copy.state, life.copy.failed_units) == (b"running\n", b"")
    assert life.copy.readings[0] < life.copy.readings[1]
    assert evidence.broken_promises(life.copy.found) == []
    assert cycle.differing_entries(life) == {}


def test_a_rebuilt_card_starts_as_a_pi_starts_it(
    card: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    copy = rebuilt(card, captured(card.image, tmp_path), tmp_path)

    with line.pi(copy) as console:
        seen = look(console)

    measured(f"login prompt and login after {seen.seconds:.0f} s")
    assert b"Raspberry Pi 3 Model B" in seen.model
    assert (seen.state, seen.failed) == (b"running\n", b"")
    ids = card.ids
    device, *names = seen.root.decode().split()
    # Two host controllers of a Pi may have a card; the kernel numbers them as they come.
    assert device in {"/dev/mmcblk0p2", "/dev/mmcblk1p2"}
    assert names == [ids.partition(2), ids.root]
    assert evidence.broken_promises(seen.found) == []
    assert seen.readings[0] < seen.readings[1]


def test_an_arm_capture_is_rehearsed_on_this_keeper_and_that_is_noted(
    card: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    kept = captured(card.image, tmp_path)

    done = here.rehearse(kept, tmp_path)

    assert done.returncode == 0, done
    found = json.loads(done.stdout)
    measured(f"{found['way']}: alive after {found['seconds']:.0f} s")
    assert "Pi-type" in found["way"]
    assert [brief["booted_at"] != "" for brief in kept.briefs()] == [True]
    assert b"pier-3 login:" in (tmp_path / "console").read_bytes()
    # W3C, Portable Network Graphics, 5.2: the signature of every PNG.
    assert (tmp_path / "console.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


@pytest.mark.parametrize("fault", spoil.BY_PI)
def test_a_pi_type_card_boots_only_if_no_link_is_broken(
    card: board.Card, tmp_path: Path, fault: str, measured: Callable[[str], None]
) -> None:
    spoiled, link = spoil.BY_PI[fault]

    assert judged(card, tmp_path, spoiled, measured, "Pi-type") == link


@pytest.mark.parametrize("fault", spoil.BY_U_BOOT)
def test_a_card_for_u_boot_boots_only_if_no_link_is_broken(
    card: board.Card, tmp_path: Path, fault: str, measured: Callable[[str], None]
) -> None:
    spoiled, link = spoil.BY_U_BOOT[fault]

    def no_pi(image: Path) -> None:
        spoil.on_fat(image, "mdel", "::/config.txt")
        spoiled(image)

    assert judged(card, tmp_path, no_pi, measured, "U-Boot") == link


def judged(
    card: board.Card,
    folder: Path,
    spoiled: Callable[[Path], None],
    measured: Callable[[str], None],
    way: str,
) -> BootStage | None:
    """Rehearse a spoiled card; return the link that the product holds to be broken."""
    image = folder / "scratch.img"
    spoil.copy(card, image)
    spoiled(image)
    log = folder / "console"
    found = rehearsal.rehearse(
        image, runner=LocalRunner(), clock=SystemClock(), log=log, deadline=600
    )
    measured(f"over after {found.seconds:.0f} s: {found.broken or 'booted'}")
    assert way in found.way
    assert found.booted is (found.broken is None)
    return found.broken.link if found.broken else None
