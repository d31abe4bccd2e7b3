"""Sizes are told in one system: powers of 1024, by their names (IEC 80000-13, prefixes)."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import holdstill

_DECIMAL = re.compile(r"(?<![A-Za-z])[kKMGT]B(?:/s)?(?![A-Za-z])")
_SOLD_SO = {
    "page/image_offer.py",  # cards are sold so
    "cli/offsite/setup.py",  # and room at an object store
    "keeper/session_slots.py",  # what the kernel writes
}


def said(path: Path) -> list[str]:
    """Return the strings of a module that are no docstrings."""
    tree = ast.parse(path.read_bytes())
    loose = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in loose
    ]


def test_nothing_that_is_said_counts_in_powers_of_1000() -> None:
    top = Path(holdstill.__file__).parent
    found = {
        str(path.relative_to(top)): text
        for path in top.rglob("*.py")
        for text in said(path)
        if _DECIMAL.search(text)
    }

    assert set(found) <= _SOLD_SO, found
