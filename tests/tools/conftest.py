from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.seaweed import Seaweed


@pytest.fixture(scope="session")
def server() -> Iterator[Seaweed]:
    """Return an object server for all tests of off-site copies; each has a folder of its own."""
    from support import seaweed  # noqa: PLC0415  needs the extra "offsite"

    with seaweed.running() as one:
        yield one
