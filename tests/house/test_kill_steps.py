"""Tests name the steps at which a run is killed by strings: each must be a function."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from support import kill_points

PACKAGE = Path(__file__).parents[2] / "agent" / "holdstill"


def functions_of(path: Path) -> set[str]:
    """Return the qualified names of a file's functions and methods (PEP 3155)."""
    found = set()
    for node in ast.parse(path.read_bytes()).body:
        if isinstance(node, ast.FunctionDef):
            found.add(node.name)
        elif isinstance(node, ast.ClassDef):
            found |= {
                f"{node.name}.{item.name}"
                for item in node.body
                if isinstance(item, ast.FunctionDef)
            }
    return found


@pytest.mark.parametrize("step", [step for step in kill_points.STEPS if step])
def test_every_step_at_which_a_run_is_killed_is_a_function_of_the_product(step: str) -> None:
    _, module, function = kill_points.STEPS[step]

    assert function in functions_of(PACKAGE / (module.replace(".", "/") + ".py"))
