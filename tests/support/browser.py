"""Debian's chromium, driven by Selenium: packages chromium and chromium-driver."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from selenium import webdriver
from selenium.common.exceptions import (
    NoSuchElementException,
    StaleElementReferenceException,
    WebDriverException,
)
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.support.wait import WebDriverWait

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from selenium.webdriver.remote.webelement import WebElement

WIDTHS = (360, 1024, 1600)
"""Pixels of a phone, a small and a large screen (common practice)."""
_WORDS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage")


_BROWSER, _DRIVER = Path("/usr/bin/chromium"), Path("/usr/bin/chromedriver")
needed = pytest.mark.skipif(
    not (_BROWSER.exists() and _DRIVER.exists()),
    reason="chromium is not installed here (Debian: chromium, chromium-driver)",
)

_PASSING = (StaleElementReferenceException, NoSuchElementException)
_GONE = "does not belong to the document"
"""How chromedriver now and then tells of the former."""


@contextmanager
def opened(
    *, has_scripts: bool = True, downloads: Path | None = None
) -> Iterator[webdriver.Chrome]:
    """Hold a browser without a window.

    Args:
        has_scripts: whether pages may run scripts at all.
        downloads: folder for what is downloaded.
    """
    options = webdriver.ChromeOptions()
    options.binary_location = str(_BROWSER)
    for word in _WORDS:
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    settings: dict[str, int | str] = {}
    if not has_scripts:
        settings["profile.managed_default_content_settings.javascript"] = 2
    if downloads is not None:
        settings["download.default_directory"] = str(downloads)
    options.add_experimental_option("prefs", settings)
    browser = webdriver.Chrome(options=options, service=Service(str(_DRIVER)))
    try:
        yield browser
    finally:
        browser.quit()


@contextmanager
def scripts_off(browser: webdriver.Chrome) -> Iterator[None]:
    """Have pages that are opened in the block run no scripts; what judges them later can."""
    allow_scripts(browser, are_allowed=False)
    try:
        yield
    finally:
        allow_scripts(browser, are_allowed=True)


def allow_scripts(browser: webdriver.Chrome, *, are_allowed: bool) -> None:
    """Say whether pages may run scripts from now on."""
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not are_allowed})


def enter(browser: webdriver.Chrome, link: str) -> None:
    """Come in by a link, as a person would."""
    browser.get(link)
    browser.find_element(By.CSS_SELECTOR, "main button").click()
    comes_to(browser, lambda: browser.current_url.endswith("/"))


def comes_to(
    browser: webdriver.Chrome, is_there: Callable[[], bool], *, seconds: float = 20
) -> None:
    """Wait until something is so: a click does not wait for the page that it leads to.

    Raises:
        TimeoutException: it was not, for so long.
    """

    def is_seen(_: webdriver.Chrome) -> bool:
        try:
            return is_there()
        except WebDriverException as error:  # the page went while it was read
            if isinstance(error, _PASSING) or _GONE in str(error):
                return False
            raise

    WebDriverWait(browser, seconds).until(is_seen)


def show_as(browser: webdriver.Chrome, *, width: int, scheme: str) -> None:
    """Show pages at a width, in a scheme: `light` or `dark`."""
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def complaints(browser: webdriver.Chrome) -> list[str]:
    """Return what the browser has complained of, among it what a page's policy refused."""
    entries = browser.get_log("browser")  # type: ignore[no-untyped-call]  # Selenium's own
    return [str(entry["message"]) for entry in entries]


def heading(browser: webdriver.Chrome) -> str:
    """Return what the page is."""
    return browser.find_element(By.TAG_NAME, "h1").text


def main_text(browser: webdriver.Chrome) -> str:
    """Return what the page says."""
    return browser.find_element(By.TAG_NAME, "main").text


def click(browser: webdriver.Chrome, words: str, until: str) -> None:
    """Click a link or a button of these words, or that begins so, and wait for what it leads to.

    Args:
        browser: shows a page.
        words: of the link or button.
        until: is in the heading of the page that it leads to.
    """
    before = browser.find_element(By.TAG_NAME, "html")
    path = "//main//*[self::a or self::button][{}]"
    same = browser.find_elements(By.XPATH, path.format(f"normalize-space()={words!r}"))
    begun = path.format(f"starts-with(normalize-space(), {words!r})")
    (same or browser.find_elements(By.XPATH, begun))[0].click()
    comes_to(browser, lambda: is_gone(before) and until in heading(browser))


def is_gone(element: WebElement) -> bool:
    """Return whether an element is of a page that is not shown any more."""
    try:
        element.is_enabled()
    except StaleElementReferenceException:
        return True
    return False
