"""The faults that tests/mutants makes: each kind, and what is left alone."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import pytest

from mutants import bench, guarded, mutators
from mutants.bench import Verdict
from mutants.forked import Ended

PACKAGE = Path(__file__).parents[2] / "agent/holdstill"
ACCOUNT = Path("keeper/account.py")


def faults_of(source: bytes, file: Path = ACCOUNT) -> list[mutators.Mutant]:
    return mutators.mutants(file, source)


def faults(line: str) -> list[tuple[str, str]]:
    """Return kind and changed source of every fault of one statement."""
    return [(m.kind, m.source.decode().strip()) for m in faults_of(line.encode())]


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


def test_a_fault_knows_the_statement_that_it_is_in() -> None:
    text = b"def f():\n    v = (\n        1,\n        g(\n            2),\n    )\n    w = 3\n"

    places = {(fault.line, fault.statement) for fault in faults_of(text)}

    assert places == {(3, 2), (5, 2), (7, 7)}


def test_a_fault_is_put_where_it_belongs_behind_letters_of_many_bytes() -> None:
    assert ("comparison", "x = f('\u00e4\u00f6', (y > z))") in faults(
        "x = f('\u00e4\u00f6', y <= z)\n"
    )


@pytest.mark.parametrize("module", ["keeper/account.py", "board/freeze.py", "rebuild/planner.py"])
def test_every_mutant_of_a_module_is_a_module_with_one_place_changed(module: str) -> None:
    source = (PACKAGE / module).read_bytes()
    found = faults_of(source)

    assert len(found) > 20
    for mutant in found:
        ast.parse(mutant.source)
        assert mutant.source != source
        assert mutant.was in source.decode()
        before = source.splitlines()[: mutant.line - 1]
        assert mutant.source.splitlines()[: mutant.line - 1] == before


def test_a_sample_is_the_same_for_the_same_seed_and_mixed() -> None:
    found = faults_of((PACKAGE / ACCOUNT).read_bytes())

    drawn = mutators.sample(found, seed=1, limit=12)

    assert drawn == mutators.sample(found, seed=1, limit=12)
    assert drawn != mutators.sample(found, seed=2, limit=12)
    assert len({mutant.line for mutant in drawn}) == len(drawn) <= 12
    assert max(Counter(mutant.kind for mutant in drawn).values()) <= 3


def test_a_line_of_one_file_is_none_of_another() -> None:
    found = [fault for name in ("a.py", "b.py") for fault in faults_of(b"x = 1", Path(name))]

    drawn = mutators.sample(found, seed=1, limit=8)

    assert [(str(fault.file), fault.line) for fault in drawn] == [("a.py", 1), ("b.py", 1)]


@pytest.mark.parametrize("module", guarded.MODULES)
def test_every_file_that_is_guarded_is_there(module: str) -> None:
    for file in guarded.files_of(module):
        assert faults_of((PACKAGE / file).read_bytes())


def test_a_word_that_is_no_module_is_a_file() -> None:
    assert guarded.files_of("keeper/ledger.py") == guarded.files_of("ledger")


def test_the_tests_of_a_line_are_those_that_execute_it_and_the_quick_ones_first() -> None:
    a, b, own = "t/test_a.py::one", "t/test_b.py::one", "t/test_ledger.py::one"
    unsound = "t/test_c.py::fails_without_a_fault"
    by_line = {1: {""}, 2: {a}, 3: {own, b, a, unsound}, 5: {"", b}}
    constant = "t/test_ledger.py::reads_a_constant"
    sound = {a: 0.2, b: 0.1, own: 3.0, constant: 4.0}

    found = [
        bench.tests_of(line, by_line, sound, file=Path("keeper/ledger.py")) for line in range(1, 6)
    ]

    assert found == [[own, constant, b, a], [a], [own, b, a], [], [own, constant, b, a]]


def test_a_file_of_constants_alone_is_judged_by_every_test() -> None:
    sound = {"t/test_a.py::one": 0.2, "t/test_b.py::one": 0.1}

    found = bench.tests_of(3, {3: {""}}, sound, file=Path("records/limits.py"))

    assert found == ["t/test_b.py::one", "t/test_a.py::one"]


def test_no_more_tests_are_asked_than_fit_into_the_time() -> None:
    sound = {"a": 5.0, "b": 30.0, "c": 5.0, "d": 0.5}

    assert bench.affordable(list(sound), sound, seconds=10) == ["a", "c"]


# pytest, Exit codes: 0 all passed, 1 some failed, 2 interrupted, 3 internal error. Below 0 is the
# signal by which a fault ended its own process; None: its time was up.
@pytest.mark.parametrize(
    ("status", "verdict"),
    [
        (0, Verdict.SURVIVED),
        (1, Verdict.KILLED),
        (2, Verdict.KILLED),
        (3, Verdict.KILLED),
        (-9, Verdict.KILLED),
        (None, Verdict.TIME),
    ],
)
def test_a_mutant_is_judged_by_how_its_tests_end(status: int | None, verdict: Verdict) -> None:
    assert bench.verdict_of(Ended(status, "")) is verdict


def test_a_module_that_cannot_be_imported_any_more_is_noticed() -> None:
    said = "ImportError while loading conftest '/t/tests/unit/conftest.py'.\n"

    assert bench.verdict_of(Ended(4, said)) is Verdict.KILLED


@pytest.mark.parametrize("status", [4, 5, 70, 126, 127])
def test_tests_that_did_not_run_judge_nothing(status: int) -> None:
    with pytest.raises(AssertionError, match=f"ended with {status}"):
        bench.verdict_of(Ended(status, ""))
