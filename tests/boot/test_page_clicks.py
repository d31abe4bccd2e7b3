"""From the keeper's page to a board that runs, by clicks in a real browser."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from selenium.webdriver.common.by import By

from holdstill.rehearse import rehearsal
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import axe, programs, served_page
from support import browser as browsers
from support.vm import board, here

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from selenium.webdriver import Chrome

    from support.served_page import Served

pytestmark = [pytest.mark.slow, browsers.needed, pytest.mark.timeout(2400)]
BOOT = 900.0
"""Seconds that a boot may take beside others."""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("card")
    card = board.build_card(board.tree(), folder / "card.img")
    return here.capture(card.image, folder).store


@pytest.fixture
def served(store: Path, tmp_path: Path) -> Iterator[Served]:
    with served_page.making_images(store, tmp_path) as page:
        yield page


@pytest.fixture
def browser(served: Served, tmp_path: Path) -> Iterator[Chrome]:
    (tmp_path / "downloads").mkdir()
    with browsers.opened(downloads=tmp_path / "downloads") as opened:
        browsers.allow_scripts(opened, are_allowed=False)
        browsers.enter(opened, served.link)
        browsers.click(opened, "pier-3", "pier-3")
        browsers.click(opened, "1", "Capture 1")
        yield opened


def test_an_image_is_made_taken_away_and_boots(browser: Chrome, tmp_path: Path) -> None:
    browsers.click(browser, "A card's image of it", "An image of")
    chosen = 'input[name="format"][value=".img.zst"]'
    browsers.comes_to(
        browser, lambda: bool(browser.find_elements(By.CSS_SELECTOR, chosen)), seconds=BOOT
    )
    browser.find_element(By.CSS_SELECTOR, chosen).click()
    browsers.click(browser, "Make the image", "Image of pier-3")
    browsers.comes_to(browser, lambda: "Do it again" in browsers.main_text(browser), seconds=BOOT)
    browser.find_element(By.PARTIAL_LINK_TEXT, ".img.zst").click()
    packed = tmp_path / "downloads/pier-3-000001.img.zst"
    browsers.comes_to(browser, packed.exists, seconds=BOOT)
    programs.run("zstd", "-q", "-d", packed, timeout=300)

    found = rehearsal.rehearse(
        packed.with_suffix(""),
        runner=LocalRunner(),
        clock=SystemClock(),
        log=tmp_path / "console",
        deadline=BOOT,
    )

    assert found.booted, found


def test_a_rehearsal_is_watched_as_it_runs_and_ends_with_a_verdict(
    browser: Chrome, measured: Callable[[str], None]
) -> None:
    browsers.click(browser, "A rehearsal", "A rehearsal of")
    browsers.click(browser, "Rehearse it", "Rehearsal of pier-3")
    seen: list[int] = []

    def has_ended() -> bool:
        lines = browser.find_elements(By.CSS_SELECTOR, "pre.console")
        length = len(lines[0].text) if lines else 0
        if length > (seen[-1] if seen else 0):
            seen.append(length)
        return "Do it again" in browsers.main_text(browser)

    browsers.comes_to(browser, lambda: has_ended() or bool(seen), seconds=BOOT)
    assert violations(browser) == []  # while it runs
    browsers.comes_to(browser, has_ended, seconds=BOOT)
    measured(f"the console grew {len(seen)} times while it was watched")

    assert len(seen) >= 3
    said = browsers.main_text(browser)
    assert "It booted" in said
    assert "pier-3 login:" in said
    screen = browser.find_element(By.CSS_SELECTOR, "img.screen")
    assert int(str(screen.get_property("naturalWidth"))) >= 640  # from memory: VGA's 640 and more
    assert browsers.complaints(browser) == []
    assert violations(browser) == []


def violations(browser: Chrome) -> list[str]:
    """Return what axe-core has against the page, light and dark; nothing where it is not there."""
    if not axe.AXE:
        return []
    found: list[str] = []
    browsers.allow_scripts(browser, are_allowed=True)  # what judges the page needs them
    for scheme in ("light", "dark"):
        browsers.show_as(browser, width=360, scheme=scheme)
        found += axe.violations(browser)
    browsers.allow_scripts(browser, are_allowed=False)
    return found
