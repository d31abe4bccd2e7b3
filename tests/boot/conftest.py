from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from support import programs
from support.vm import board, layers

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MEASURED = pytest.StashKey[list[str]]()


@pytest.fixture
def measured(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Note a measurement for the end of the test run; it judges nothing."""
    name = request.node.name

    def note(line: str) -> None:
        request.config.stash.setdefault(MEASURED, []).append(f"{name}: {line}")

    return note


@pytest.fixture(scope="session")
def layered(tmp_path_factory: pytest.TempPathFactory) -> board.Card:
    """Return a card whose system can start LVM, LUKS and mirrors."""
    return board.build_card(
        board.tree(board.LAYERS), tmp_path_factory.mktemp("whole") / "card.img"
    )


@pytest.fixture(scope="session")
def copied_store(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path], Path]:
    """Return what copies a store that is kept, to a folder where no other run mounts it."""

    def copy(captured: Path) -> Path:
        folder = tmp_path_factory.mktemp("boards")
        image = captured / layers.STORE_IMAGE
        programs.run("cp", "--sparse=always", image, folder, timeout=300)
        return folder

    return copy


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    for line in config.stash.get(MEASURED, []):
        terminalreporter.write_line(f"measured: {line}")
