"""Debian's chromium, driven by Selenium: packages chromium and chromium-driver."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.support.wait import WebDriverWait

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

WIDTHS = (360, 1024, 1600)
"""Pixels of a phone, a small and a large screen (common practice)."""
_WORDS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage")


@contextmanager
def opened(*, has_scripts: bool = True) -> Iterator[webdriver.Chrome]:
    """Hold a browser without a window; has_scripts: whether pages may run scripts at all."""
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for word in _WORDS:
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    if not has_scripts:
        setting = {"profile.managed_default_content_settings.javascript": 2}
        options.add_experimental_option("prefs", setting)
    browser = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    try:
        yield browser
    finally:
        browser.quit()


def enter(browser: webdriver.Chrome, link: str) -> None:
    """Come in by a link, as a person would."""
    browser.get(link)
    browser.find_element(By.CSS_SELECTOR, "main button").click()
    comes_to(browser, lambda: browser.current_url.endswith("/"))


def comes_to(browser: webdriver.Chrome, is_there: Callable[[], bool]) -> None:
    """Wait until something is so: a click does not wait for the page that it leads to.

    Raises:
        TimeoutException: it was not, for ten seconds.
    """
    waiting = WebDriverWait(browser, 10, ignored_exceptions=[StaleElementReferenceException])
    waiting.until(lambda _: is_there())


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
