"""What the keeper's page is for, done by clicks in a real browser, with scripts and without them.

The store has real captures of a board; the page is served by the command itself.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select

from support import axe, command_line, plain_board, programs, served_page
from support import browser as browsers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from selenium.webdriver import Chrome
    from selenium.webdriver.remote.webelement import WebElement

    from support.served_page import Served

pytestmark = [pytest.mark.slow, browsers.needed, pytest.mark.timeout(900)]
JOB = 300.0
"""Seconds for a job that takes five on a machine with nothing else to do."""
READINGS = b"tide;level\n2026-11-25;1.25\n" * 20
HOSTILE = "<img src=x onerror=document.title='taken'>.csv"


def png(width: int, height: int) -> bytes:
    """Return a white picture (W3C, Portable Network Graphics, 5 and 11)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        total = zlib.crc32(name + data)
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", total)

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress((b"\0" + b"\xff" * width) * height)
    start = b"\x89PNG\r\n\x1a\n"
    return start + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def fill(root: Path) -> None:
    place = root / "home/tide/readings"
    place.mkdir(parents=True)
    (place / "level.csv").write_bytes(READINGS)
    (place / HOSTILE).write_bytes(b"<script>document.title='taken'</script>\n")
    (place / "gauge.png").write_bytes(png(40, 30))
    (place / "old.csv").write_bytes(b"gone\n")


def change(root: Path) -> None:
    place = root / "home/tide/readings"
    (place / "level.csv").write_bytes(READINGS + b"2026-11-26;1.50\n")
    (place / "old.csv").unlink()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plain_board.captured(tmp_path_factory.mktemp("plain"), fill, change).store


@pytest.fixture
def served(store: Path, tmp_path: Path) -> Iterator[Served]:
    with served_page.making_images(store, tmp_path) as page:
        yield page


@pytest.fixture
def downloads(tmp_path: Path) -> Path:
    (tmp_path / "downloads").mkdir()
    return tmp_path / "downloads"


@pytest.fixture(params=[True, False], ids=["scripts", "no-scripts"])
def browser(request: pytest.FixtureRequest, served: Served, downloads: Path) -> Iterator[Chrome]:
    with browsers.opened(has_scripts=bool(request.param), downloads=downloads) as opened:
        browsers.enter(opened, served.link)
        yield opened


def to_capture(browser: Chrome, number: int = 2) -> None:
    """Click from the overview to a capture."""
    browsers.click(browser, "pier-3", "pier-3")
    browsers.click(browser, f"{number}", f"Capture {number}")


def to_readings(browser: Chrome) -> None:
    """Click from the overview to a folder."""
    to_capture(browser)
    browsers.click(browser, "2: its files", "/ in")
    for name in ("home", "tide", "readings"):
        browsers.click(browser, name, name)


def taken(downloads: Path, browser: Chrome, words: str) -> bytes:
    """Click what is a download; return it."""
    known = {*downloads.iterdir()}
    browser.find_element(By.PARTIAL_LINK_TEXT, words).click()
    browsers.comes_to(browser, lambda: bool(whole(downloads) - known), seconds=JOB)
    (made,) = whole(downloads) - known
    return made.read_bytes()


def whole(folder: Path) -> set[Path]:
    """Return the downloads that have ended; chromium hides others, or gives them a suffix."""
    return {
        each
        for each in folder.iterdir()
        if not each.name.startswith(".") and each.suffix != ".crdownload"
    }


def got(store: Path, path: str, to: Path) -> bytes:
    command_line.holdstill("get", "pier-3/2", f"/{path}", "--to", to, "--store", store)
    return to.read_bytes()


def test_a_file_is_looked_at_and_taken_out_as_get_does_it(
    browser: Chrome, store: Path, downloads: Path, tmp_path: Path
) -> None:
    to_readings(browser)
    assert HOSTILE in browsers.main_text(browser)
    browsers.click(browser, "level.csv", "level.csv")

    body = taken(downloads, browser, "Take the file out")
    assert body == got(store, "home/tide/readings/level.csv", tmp_path / "level.csv")

    browsers.click(browser, "Look at it as text", "level.csv as text")
    shown = browser.find_element(By.TAG_NAME, "pre").text
    assert shown.splitlines()[-1] == "2026-11-26;1.50"
    assert browsers.complaints(browser) == []


def sides(picture: WebElement) -> tuple[int, int]:
    """Return the sides of what was loaded, in pixels; 0 where it was not."""
    wide, high = picture.get_property("naturalWidth"), picture.get_property("naturalHeight")
    return int(str(wide)), int(str(high))


def test_a_picture_is_shown_also_alone_and_a_hostile_name_does_nothing(browser: Chrome) -> None:
    to_readings(browser)
    browsers.click(browser, "gauge.png", "gauge.png")
    browsers.click(browser, "as a picture", "gauge.png as a picture")

    picture = browser.find_element(By.CSS_SELECTOR, "img.picture")
    assert sides(picture) == (40, 30)
    browser.get(picture.get_attribute("src") or "")
    assert sides(browser.find_element(By.TAG_NAME, "img")) == (40, 30)
    assert "taken" not in browser.title
    assert browsers.complaints(browser) == []


def test_a_folder_is_taken_out(browser: Chrome, downloads: Path, tmp_path: Path) -> None:
    to_readings(browser)

    (tmp_path / "taken.tar").write_bytes(taken(downloads, browser, "as tar"))
    packed = taken(downloads, browser, "as zip")

    # GNU tar and Info-ZIP are the judges.
    programs.run("tar", "-xf", tmp_path / "taken.tar", "-C", tmp_path)
    assert (tmp_path / "readings/level.csv").read_bytes().startswith(READINGS)
    (tmp_path / "taken.zip").write_bytes(packed)
    names = programs.run("unzip", "-Z1", tmp_path / "taken.zip").decode().splitlines()
    assert "readings/level.csv" in names


def test_a_file_is_found_by_its_name_and_in_its_versions(browser: Chrome) -> None:
    to_capture(browser)
    browser.find_element(By.NAME, "name").send_keys("level*")
    browsers.click(browser, "Search", "")
    browsers.click(browser, "/home/tide/readings/level.csv", "level.csv in capture")
    browsers.click(browser, "Its versions", "Versions of")

    versions = browser.find_elements(By.CSS_SELECTOR, "tbody tr")
    assert len(versions) == 2


def test_what_changed_is_seen_and_what_is_gone_is_found_again(
    browser: Chrome, downloads: Path
) -> None:
    to_capture(browser)
    browsers.click(browser, "What changed", "What changed")
    Select(browser.find_element(By.NAME, "with")).select_by_index(0)
    browsers.click(browser, "Compare", "What changed")
    browsers.click(browser, "2: which files", "What changed on partition 2")
    listed = browsers.main_text(browser)
    assert "/home/tide/readings/level.csv" in listed
    browsers.click(browser, "/home/tide/readings/old.csv", "old.csv in capture 1 of")

    assert taken(downloads, browser, "Take the file out") == b"gone\n"


def ordered(browser: Chrome) -> None:
    """Click from the overview to an image that is made, and wait for it."""
    to_capture(browser)
    browsers.click(browser, "A card's image of it", "An image of")
    chosen = 'input[name="format"][value=".img.zst"]'
    browsers.comes_to(
        browser, lambda: bool(browser.find_elements(By.CSS_SELECTOR, chosen)), seconds=JOB
    )
    browser.find_element(By.CSS_SELECTOR, chosen).click()
    browsers.click(browser, "Make the image", "pier-3")
    # The page asks again by itself, with scripts or without.
    browsers.comes_to(browser, lambda: "Do it again" in browsers.main_text(browser), seconds=JOB)


def test_an_image_is_made_taken_away_and_right(
    browser: Chrome, store: Path, downloads: Path
) -> None:
    ordered(browser)
    taken(downloads, browser, ".img.zst")
    taken(downloads, browser, "as a file")

    name = "pier-3-000002.img.zst"
    programs.run("env", f"--chdir={downloads}", "sha256sum", "-c", "--strict", f"{name}.sha256")
    programs.run("zstd", "-q", "-d", downloads / name, timeout=120)
    card = downloads / name.removesuffix(".zst")
    command_line.holdstill("verify", "pier-3/2", "--card", card, "--store", store)


def test_an_order_that_is_not_to_be_had_is_told_beside_the_form(browser: Chrome) -> None:
    to_capture(browser)
    browsers.click(browser, "A card's image of it", "An image of")
    browsers.comes_to(browser, lambda: bool(browser.find_elements(By.NAME, "own")), seconds=JOB)
    browser.find_element(By.NAME, "own").send_keys("1M")
    browsers.click(browser, "Make the image", "An image of")

    assert "the smallest that fits has" in browser.find_element(By.CSS_SELECTOR, ".said").text


PLACES = (
    "", "?name=none", "boards/pier-3", "boards/none", "nowhere", "images", "{capture}",
    "{capture}/files?part=1&path=", "{capture}/files?part=2&path=home/tide/readings",
    "{capture}/files?part=2&path=home/tide/readings/level.csv",
    "{capture}/text?part=2&path=home/tide/readings/level.csv",
    "{capture}/picture?part=2&path=home/tide/readings/gauge.png",
    "{capture}/picture?part=2&path=home/tide/readings/level.csv",
    "{capture}/versions?part=2&path=home/tide/readings/level.csv",
    "{capture}/search", "{capture}/search?name=*.csv", "{capture}/search?name=none",
    "{capture}/changes", "{capture}/changes?with={first}",
    "{capture}/changes/paths?with={first}&part=2&path=",
    "{capture}/image", "{capture}/rehearsal", "{job}", "images?follow=1",
)  # fmt: skip
"""Every page that somebody who was let in comes to; that of a rehearsal is in the boot tests."""


@axe.needed
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_in_the_way_of_anybody_on_any_page(
    served: Served, store: Path, scheme: str
) -> None:
    found = {}
    with browsers.opened() as browser:
        browsers.enter(browser, served.link)
        ordered(browser)
        first, second = sorted(each.name for each in (store / "boards/pier-3/captures").iterdir())
        job = browser.current_url.partition("?")[0].removeprefix(f"{served.here}/")
        names = {"first": first, "capture": f"boards/pier-3/{second}", "job": job}
        for width in browsers.WIDTHS:
            browsers.show_as(browser, width=width, scheme=scheme)
            for place in PLACES:
                browser.get(f"{served.here}/{place.format(**names)}")
                found[f"{place} at {width}"] = axe.violations(browser)
        for place in PLACES:
            with browsers.scripts_off(browser):
                browser.get(f"{served.here}/{place.format(**names)}")
            found[f"{place} without scripts"] = axe.violations(browser)

    assert not any(found.values()), {page: said for page, said in found.items() if said}
