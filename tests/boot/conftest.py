from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

MEASURED = pytest.StashKey[list[str]]()


@pytest.fixture
def measured(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Note a measurement for the end of the test run; it judges nothing."""
    name = request.node.name

    def note(line: str) -> None:
        request.config.stash.setdefault(MEASURED, []).append(f"{name}: {line}")

    return note


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    for line in config.stash.get(MEASURED, []):
        terminalreporter.write_line(f"measured: {line}")
