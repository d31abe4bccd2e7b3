"""What runs pytest in a child: all tests, to learn from them; or some, with a fault made."""

from __future__ import annotations

import importlib
import json
import sys
from collections import defaultdict
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Generator, Sequence
    from pathlib import Path

ALWAYS = ("-q", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning")
"""The warning: a library was loaded before pytest could rewrite its assertions."""


class _Learner:
    """Tells coverage which test is run, and notes how long it takes and whether it passes."""

    def __init__(self, data: Path, files: Sequence[Path]) -> None:
        # Of the group "mutants", which not everybody has.
        self.coverage = importlib.import_module("coverage").Coverage(
            data_file=str(data), include=[str(file) for file in files], config_file=False
        )
        self.seconds: defaultdict[str, float] = defaultdict(float)
        self.not_passed: set[str] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Attribute all that is executed from here on, fixtures too, to this test."""
        self.coverage.switch_context(item.nodeid)
        result = yield
        self.coverage.switch_context("")
        return result

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note a phase of a test."""
        self.seconds[report.nodeid] += report.duration
        if not report.passed:
            self.not_passed.add(report.nodeid)


def learn(data: Path, files: Sequence[Path], words: Sequence[str]) -> int:
    """Run tests; write down which of them executes which line of files, and how long it takes.

    Args:
        data: gets what coverage knows, with a test's id as context. Beside it, with the suffix
            .json, lie the seconds of each test that passed.
        files: of the package.
        words: of pytest.

    Returns:
        pytest's status.
    """
    sys.dont_write_bytecode = False
    learner = _Learner(data, files)
    learner.coverage.start()
    status = pytest.main([*ALWAYS, *words], plugins=[learner])
    learner.coverage.stop()
    learner.coverage.save()
    passed = {k: v for k, v in learner.seconds.items() if k not in learner.not_passed}
    data.with_suffix(".json").write_text(json.dumps(passed), encoding="utf-8")
    return int(status)


class _Chosen:
    """Lets just some tests run, in their order."""

    def __init__(self, tests: Sequence[str]) -> None:
        self.place = {test: place for place, test in enumerate(tests)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Leave the others out; where a fault changed a parameter's id, take all parameters."""
        there = {item.nodeid for item in items}
        gone = {_function(test): place for test, place in self.place.items() if test not in there}
        places = {
            item: self.place.get(item.nodeid, gone.get(_function(item.nodeid))) for item in items
        }
        chosen = [(place, item) for item, place in places.items() if place is not None]
        items[:] = [item for _, item in sorted(chosen, key=lambda pair: pair[0])]


def _function(test: str) -> str:
    return test.partition("[")[0]


def judge(tests: Sequence[str]) -> int:
    """Run tests in their order until one fails; return pytest's status."""
    sys.dont_write_bytecode = True
    files = dict.fromkeys(test.partition("::")[0] for test in tests)
    return int(pytest.main([*ALWAYS, "-x", "-m", "", *files], plugins=[_Chosen(tests)]))
