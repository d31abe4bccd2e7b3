"""Which tests there are, read from their source: nothing is imported, whatever tier it is of."""

from __future__ import annotations

import ast
import functools
from pathlib import Path

TESTS = Path(__file__).parents[1]


@functools.cache
def named() -> dict[str, str]:
    """Return each test of the tree by its file and name, with every id in its decorators."""
    found = {}
    for path in sorted(TESTS.rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_bytes())):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                ids = [
                    word.value.value
                    for decorator in node.decorator_list
                    for word in ast.walk(decorator)
                    if isinstance(word, ast.keyword) and word.arg == "id"
                    if isinstance(word.value, ast.Constant) and isinstance(word.value.value, str)
                ]
                found[f"{path.relative_to(TESTS)}::{node.name}"] = " ".join([node.name, *ids])
    return found
