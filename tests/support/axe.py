"""Accessibility as axe-core judges it (Deque, MPL-2.0; the npm package axe-core has it).

HOLDSTILL_AXE names its axe.min.js. Without it the tests that need it are left out.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

AXE = os.environ.get("HOLDSTILL_AXE", "")
needed = pytest.mark.skipif(
    not AXE, reason="HOLDSTILL_AXE does not name an axe.min.js, of the npm package axe-core"
)


def violations(browser: Chrome) -> list[str]:
    """Return what axe-core finds wrong with the page that is shown, by all its rules."""
    browser.execute_script(Path(AXE).read_text(encoding="utf-8"))
    said: list[str] = browser.execute_async_script(
        "const told = arguments[0]; axe.run().then(found => told(found.violations.map("
        "one => one.id + ' ' + one.nodes.length + ' ' + one.nodes[0].html)))"
    )
    return said
