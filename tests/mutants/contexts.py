"""Run tests and write down which of them executes which line; a program for `run.py`.

    python -m mutants.contexts DATA SOURCE [ARGUMENT OF PYTEST]...

It ends with pytest's status. DATA is written for coverage, with a test's id as context.
"""

from __future__ import annotations

import importlib
import sys
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Generator

# Of the group "mutants", which not everybody has.
coverage = importlib.import_module("coverage")


class Contexts:
    """Tells coverage which test is run."""

    def __init__(self, data: str, source: str) -> None:
        self.coverage = coverage.Coverage(
            data_file=data, include=[f"{source}/*"], config_file=False
        )

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Attribute all that is executed from here on, fixtures too, to this test."""
        self.coverage.switch_context(item.nodeid)
        result = yield
        self.coverage.switch_context("")
        return result


def main(data: str, source: str, *words: str) -> int:
    """Run pytest; return its status."""
    contexts = Contexts(data, source)
    contexts.coverage.start()
    status = pytest.main([*words], plugins=[contexts])
    contexts.coverage.stop()
    contexts.coverage.save()
    return int(status)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
