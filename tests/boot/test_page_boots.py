"""From the keeper's page to a board that runs: an image taken away, and a rehearsal watched."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.rehearse import rehearsal
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import page_jobs, programs
from support.vm import board, here

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.timeout(1800)
MIB = 1 << 20
BOOT = 900.0
"""Seconds that a boot may take beside others."""


def test_what_is_taken_from_the_page_boots_and_its_rehearsal_says_so(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    card = board.build_card(board.tree(), tmp_path / "card.img")
    kept = here.capture(card.image, tmp_path)
    name = f"pier-3/{kept.briefs()[0]['name']}"
    clock = SystemClock()

    with page_jobs.visited(kept.store, tmp_path) as visit:
        began = clock.monotonic()
        page_jobs.form(visit, name)
        measured(f"measured in {clock.monotonic() - began:.1f} s")
        job = page_jobs.ordered(
            visit, name, size=str(card.image.stat().st_size), format=".img.zip"
        )
        (image, _) = page_jobs.links(page_jobs.ended(visit, job, seconds=BOOT))
        measured(f"made after {clock.monotonic() - began:.1f} s")
        (tmp_path / "taken.zip").write_bytes(visit.client.get(image).body)
        programs.run("unzip", "-q", tmp_path / "taken.zip", "-d", tmp_path / "taken")
        (taken,) = (tmp_path / "taken").iterdir()
        found = rehearsal.rehearse(
            taken, runner=LocalRunner(), clock=clock, log=tmp_path / "console", deadline=BOOT
        )
        assert found.booted, found

        answer = visit.post(f"/boards/{name}/rehearsal")
        job = answer.headers["location"].partition("?")[0]
        seen = ("Linux version", "Do it again")
        page_jobs.until(
            lambda: any(each in visit.client.get(job).text for each in seen), seconds=BOOT
        )
        shown = page_jobs.ended(visit, job, seconds=BOOT)
        measured(f"rehearsed after {clock.monotonic() - began:.1f} s")

        assert "It booted" in shown
        assert "pier-3 login:" in shown
        picture = visit.client.get(f"{job}/screen.png")
        # W3C, Portable Network Graphics, 5.2: the signature of every PNG.
        assert picture.body.startswith(b"\x89PNG\r\n\x1a\n")
        assert picture.headers["content-type"] == "image/png"
        assert [each["booted_at"] != "" for each in kept.briefs()] == [True]
