"""The keeper's page in a real browser, served by the real command, on a store with signatures."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from holdstill.keeper import capture_notes
from holdstill.model import names
from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.system.clocks import SystemClock
from support import axe, served_page
from support import browser as browsers
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    from collections.abc import Iterator

    from selenium.webdriver import Chrome

    from support.served_page import Served

pytestmark = [pytest.mark.slow, browsers.needed]
HOSTILE = "\"><script>document.title='taken'</script><img src=http://attacker.example/x>\u202e"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> SignedStore:
    """Return a store in which one board is well, one would not boot, and one was silent."""
    made = SignedStore(tmp_path_factory.mktemp("boathouse"))
    made.enrol("pier-3", "pier-4", "buoy")
    clock = FakeClock(datetime.now(UTC) - timedelta(days=20))
    made.capture("buoy", {b"etc/hosts": b"buoy"}, clock=clock)
    clock.advance(86_400 * 15)
    for night in range(5):
        clock.advance(86_400 - 60)
        for board in ("pier-3", "pier-4"):
            name = made.capture(board, {b"etc/hosts": b"%d" % night * 999}, clock=clock)
            _judge(made, board, name, is_whole=board == "pier-3" or night < 4)
    return made


def _judge(made: SignedStore, board: str, name: str, *, is_whole: bool) -> None:
    finding = (
        BootFinding(verdict=BootVerdict.WHOLE)
        if is_whole
        else BootFinding(verdict=BootVerdict.BROKEN, lacking=(f"no kernel {HOSTILE}",))
    )
    capture_notes.judged(made.store, names.check_board(board), name, finding, clock=SystemClock())


@pytest.fixture
def served(store: SignedStore) -> Iterator[Served]:
    with served_page.served(store.root) as page:
        yield page


@pytest.fixture(params=[True, False], ids=["scripts", "no-scripts"])
def browser(request: pytest.FixtureRequest, served: Served) -> Iterator[Chrome]:
    with browsers.opened(has_scripts=bool(request.param)) as opened:
        browsers.enter(opened, served.link)
        yield opened


def boards(browser: Chrome) -> list[str]:
    return [cell.text for cell in browser.find_elements(By.CSS_SELECTOR, "tbody th a")]


@pytest.mark.parametrize(("has_scripts", "title"), [(True, "run"), (False, "not run")])
def test_scripts_can_be_off(has_scripts: bool, title: str) -> None:  # noqa: FBT001
    with browsers.opened(has_scripts=has_scripts) as browser:
        browser.get("data:text/html,<title>not run</title><script>document.title='run'</script>")

        assert browser.title == title


def test_scripts_can_be_off_for_some_pages() -> None:
    with browsers.opened() as browser:
        with browsers.scripts_off(browser):
            browser.get("data:text/html,<title>not run</title><script>document.title=1</script>")

        assert browser.title == "not run"
        assert browser.execute_script("return 1 + 1") == 2


def test_boards_are_found_by_clicks(browser: Chrome) -> None:
    assert boards(browser) == ["buoy", "pier-4", "pier-3"]

    browser.find_element(By.LINK_TEXT, "Board").click()
    browsers.comes_to(browser, lambda: boards(browser) == ["buoy", "pier-3", "pier-4"])
    browser.find_element(By.PARTIAL_LINK_TEXT, "silent").click()
    browsers.comes_to(browser, lambda: boards(browser) == ["buoy"])

    browser.find_element(By.LINK_TEXT, "holdstill").click()
    browsers.comes_to(browser, lambda: len(boards(browser)) == 3)
    browser.find_element(By.LINK_TEXT, "pier-4").click()
    browsers.comes_to(browser, lambda: browsers.heading(browser) == "pier-4")
    assert len(browser.find_elements(By.CSS_SELECTOR, "svg.line a")) == 5
    assert "no kernel" in browser.find_element(By.TAG_NAME, "main").text


def test_all_of_it_is_reached_by_keyboard(browser: Chrome) -> None:
    reached = []
    for _ in range(40):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        reached.append(browser.switch_to.active_element.accessible_name)
    browser.get(browser.current_url)
    wanted = browser.find_elements(By.CSS_SELECTOR, "a, button, input, select")

    assert {each.accessible_name for each in wanted} <= {*reached}


def test_somebody_who_has_left_is_out(browser: Chrome, served: Served) -> None:
    browser.find_element(By.XPATH, "//button[text()='Leave']").click()
    browsers.comes_to(browser, lambda: browsers.heading(browser) == "You have left")

    for address in (served.here, served.link):
        browser.get(address)
        for button in browser.find_elements(By.CSS_SELECTOR, "main button"):
            button.click()
        browsers.comes_to(browser, lambda: browsers.heading(browser) == "Not let in")


def test_hostile_words_do_nothing_and_nothing_was_refused(browser: Chrome, served: Served) -> None:
    for path in ("/", "/boards/pier-4"):
        browser.get(served.here + path)
        assert "taken" not in browser.title
        assert "document.title='taken'" in browser.find_element(By.TAG_NAME, "main").text

    assert browsers.complaints(browser) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", browsers.WIDTHS)
def test_a_page_is_as_wide_as_the_screen(
    browser: Chrome, served: Served, width: int, scheme: str
) -> None:
    browsers.show_as(browser, width=width, scheme=scheme)

    for path in ("/", "/boards/pier-3"):
        browser.get(served.here + path)
        assert browser.find_element(By.TAG_NAME, "main").rect["width"] <= width
        picture = browser.get_screenshot_as_png()
        assert len(picture) > 5000


@axe.needed
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", browsers.WIDTHS)
def test_nothing_is_in_the_way_of_anybody(served: Served, width: int, scheme: str) -> None:
    found = {}
    with browsers.opened() as browser:
        browsers.show_as(browser, width=width, scheme=scheme)
        browser.get(served.link)
        found["/enter"] = axe.violations(browser)
        browsers.enter(browser, served.link)
        for path in ("/", "/?name=none", "/boards/pier-4", "/boards/none", "/nowhere"):
            browser.get(served.here + path)
            found[path] = axe.violations(browser)
        browser.find_element(By.XPATH, "//button[text()='Leave']").click()
        browsers.comes_to(browser, lambda: browsers.heading(browser) == "You have left")
        found["left"] = axe.violations(browser)
        browser.get(served.here)
        found["refused"] = axe.violations(browser)

    assert not any(found.values()), found
