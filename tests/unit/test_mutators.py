"""The faults that tests/mutants makes: each kind, and what is left alone."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import pytest

from mutants import mutators, run
from mutants.run import Verdict

PACKAGE = Path(__file__).parents[2] / "agent/holdstill"
ACCOUNT = (PACKAGE / "keeper/account.py").read_bytes()


def faults(line: str) -> list[tuple[str, str]]:
    """Return kind and changed source of every fault of one statement."""
    return [(m.kind, m.source.decode().strip()) for m in mutators.mutants(line.encode())]


@pytest.mark.parametrize(
    ("line", "kind", "now"),
    [
        ("x < y", "comparison", {"(x <= y)", "(x >= y)"}),
        ("x == y", "comparison", {"(x != y)"}),
        ("x is not y", "comparison", {"(x is y)"}),
        ("x in y", "comparison", {"(x not in y)"}),
        ("x and y", "and/or", {"(x or y)"}),
        ("x and y", "term", {"(x)", "(y)"}),
        ("x or y or z", "term", {"(y or z)", "(x or z)", "(x or y)"}),
        ("x - y", "arithmetic", {"(x + y)"}),
        ("x // y", "arithmetic", {"(x * y)"}),
        ("x | y", "arithmetic", {"(x & y)"}),
        ("not x", "not", {"(x)"}),
        ("x if y else z", "not", {"(z if y else x)"}),
        ("v = f(x, y, z=1)", "arguments", {"v = f(y, x, z=1)"}),
        ("v = 5", "constant", {"v = (6)", "v = (4)"}),
        ("v = True", "constant", {"v = False"}),
        ("v = 'ab'", "constant", {"v = 'aba'"}),
        ("v = b''", "constant", {"v = b'x'"}),
        ("f(x)", "deleted", {"pass"}),
        ("v += w", "deleted", {"pass"}),
    ],
)
def test_a_fault_is_made_in_every_way_that_there_is(line: str, kind: str, now: set[str]) -> None:
    assert {text for found, text in faults(line) if found == kind} == now


def test_a_value_that_is_returned_gets_lost() -> None:
    text = "def f(x):\n    return x\n"

    assert faults(text) == [("return", "def f(x):\n    return None")]


def test_an_error_is_not_raised_any_more_and_its_message_stays() -> None:
    text = "if x:\n    raise SomeError('at 5', 7)\n"

    assert faults(text) == [("deleted", "if x:\n    pass")]


@pytest.mark.parametrize(
    "text",
    [
        '"""A docstring."""\n',
        "class A(Protocol):\n    def f(self) -> int:\n        return 1 + 2\n",
        "if TYPE_CHECKING:\n    x = 1 < 2\n",
        "def f(x: Literal[5]) -> Literal['a']:\n    ...\n",
        "x: Literal[5]\n",
        "v = f'at {x + 1}'\n",
        "import os\n",
    ],
)
def test_what_cannot_be_at_fault_is_left_alone(text: str) -> None:
    assert faults(text) == []


def test_a_fault_is_put_where_it_belongs_behind_letters_of_many_bytes() -> None:
    assert ("comparison", "x = f('\u00e4\u00f6', (y > z))") in faults(
        "x = f('\u00e4\u00f6', y <= z)\n"
    )


@pytest.mark.parametrize("module", ["keeper/account.py", "board/freeze.py", "rebuild/planner.py"])
def test_every_mutant_of_a_module_is_a_module_with_one_place_changed(module: str) -> None:
    source = (PACKAGE / module).read_bytes()
    found = mutators.mutants(source)

    assert len(found) > 20
    for mutant in found:
        ast.parse(mutant.source)
        assert mutant.source != source
        assert mutant.was in source.decode()
        before = source.splitlines()[: mutant.line - 1]
        assert mutant.source.splitlines()[: mutant.line - 1] == before


def test_a_sample_is_the_same_for_the_same_seed_and_mixed() -> None:
    found = mutators.mutants(ACCOUNT)

    drawn = mutators.sample(found, seed=1, limit=12)

    assert drawn == mutators.sample(found, seed=1, limit=12)
    assert drawn != mutators.sample(found, seed=2, limit=12)
    assert len({mutant.line for mutant in drawn}) == len(drawn) <= 12
    assert max(Counter(mutant.kind for mutant in drawn).values()) <= 3


def test_the_tests_of_a_line_are_those_that_execute_it() -> None:
    a, b, own = "t/test_a.py::one", "t/test_b.py::one", "t/test_ledger.py::one"
    by_line = {1: [""], 2: ["", a], 3: [own, b, a]}

    found = [run.tests_of(line, by_line, module=Path("keeper/ledger.py")) for line in (1, 2, 3, 4)]

    assert found == [[own, a, b], [a], [own, a, b], []]


# pytest, Exit codes: 0 all passed, 1 some failed, 2 interrupted; timeout(1): 124.
@pytest.mark.parametrize(
    ("status", "verdict"),
    [(0, Verdict.SURVIVED), (1, Verdict.KILLED), (2, Verdict.KILLED), (124, Verdict.TIME)],
)
def test_a_mutant_is_judged_by_how_its_tests_end(status: int, verdict: Verdict) -> None:
    assert run.verdict_of(status, "") is verdict


def test_a_module_that_cannot_be_imported_any_more_is_noticed() -> None:
    said = "_ ERROR collecting tests/unit/test_a.py _\nERROR: found no collectors for t::one\n"

    assert run.verdict_of(4, said) is Verdict.KILLED


@pytest.mark.parametrize("status", [3, 4, 5, 126, 127])
def test_tests_that_did_not_run_judge_nothing(status: int) -> None:
    with pytest.raises(AssertionError, match=f"ended with {status}"):
        run.verdict_of(status, "")
