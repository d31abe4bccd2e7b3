from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from support import forked_commands

if TYPE_CHECKING:
    from collections.abc import Iterator

TESTS = Path(__file__).parent
ASKED_FOR = ("tools", "ssh", "root", "boot")

settings.register_profile("dev", max_examples=50, deadline=None)
settings.register_profile("ci", max_examples=100, deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "dev"))


@pytest.fixture(autouse=True, scope="session")
def no_forker_left() -> Iterator[None]:
    """End what forks command lines, if a test has started it."""
    yield
    forked_commands.end()


@pytest.fixture(autouse=True)
def the_usual_umask() -> Iterator[None]:
    """Let no test leave another one the umask that a forced command gives itself."""
    before = os.umask(0o022)
    yield
    os.umask(before)


# First, so that the marks are there when pytest selects by them.
@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        tier = item.path.relative_to(TESTS).parts[0]
        if tier in ASKED_FOR:
            item.add_marker(tier)
