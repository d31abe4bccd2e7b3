"""The table "Where is ...?" in DEVELOPERS.md: each file exists and defines what its row names."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
PACKAGE = TOP / "agent" / "holdstill"
ROW = re.compile(r"^\| (?P<question>[^|`]+) \| `(?P<file>[^`]+\.py)` \| `(?P<name>\w+)` \|$", re.M)


def rows() -> list[tuple[str, str, str]]:
    """Return question, file below agent/holdstill, and the name to look for there."""
    section = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = section.partition("\n## Where is ...?\n")[2].partition("\n## ")[0]
    return [(row["question"], row["file"], row["name"]) for row in ROW.finditer(table)]


def defined_in(path: Path) -> set[str]:
    """Return the classes, functions, methods and constants that a file defines."""
    found = set()
    for node in ast.walk(ast.parse(path.read_bytes())):
        match node:
            case ast.FunctionDef(name=name) | ast.ClassDef(name=name):
                found.add(name)
            case ast.Assign(targets=[ast.Name(id=name)]) | ast.AnnAssign(target=ast.Name(id=name)):
                found.add(name)
            case _:
                pass
    return found


def test_the_table_has_at_least_thirty_rows_and_nothing_that_is_no_row() -> None:
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("\n## Where is ...?\n")[2].partition("\n## ")[0]
    lines = [line for line in table.splitlines() if line.startswith("|")]

    found = rows()

    assert len(found) >= 30
    assert len(found) == len(lines) - 2  # the head and the rule below it
    assert len({question for question, _, _ in found}) == len(found)


@pytest.mark.parametrize(
    ("file", "name"), [pytest.param(file, name, id=question) for question, file, name in rows()]
)
def test_where_is(file: str, name: str) -> None:
    path = PACKAGE / file

    assert path.is_file()
    assert name in defined_in(path)
