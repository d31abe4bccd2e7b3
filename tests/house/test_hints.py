"""Commands in hints stand in backticks, so that no terminal folds them: they are to be copied."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.cli.main import Commands

if TYPE_CHECKING:
    from collections.abc import Iterator

AGENT = Path(__file__).parents[2] / "agent"
OF_OURS = "|".join(Commands.modules)
COMMAND = re.compile(
    rf"\b(?:sudo (?!leaves)|apt-get |systemctl |chmod |chown |mount -|holdstill (?:{OF_OURS})\b)"
    r"|--[a-z-]+ (?!and|or)[^\s,(]+ --[a-z]"
)


def words(node: ast.AST) -> str:
    """Return the text of a string in the code, "X" for what is filled in."""
    match node:
        case ast.Constant(value=str(text)):
            return text
        case ast.JoinedStr(values=values):
            return "".join(map(words, values))
        case ast.BinOp(left=left, right=right):
            return words(left) + words(right)
        case ast.IfExp(body=body, orelse=orelse):
            return f"{words(body)}; {words(orelse)}"
        case _:
            return "X"


def hints() -> Iterator[tuple[str, str]]:
    for path in sorted(AGENT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "hint":
                yield f"{path.name}:{node.value.lineno}", words(node.value)


def bare(hint: str) -> list[str]:
    return COMMAND.findall(re.sub(r"`[^`]*`", "", hint))


def test_no_command_in_a_hint_is_without_backticks() -> None:
    found = dict(hints())

    assert len(found) > 300
    assert {where: hint for where, hint in found.items() if bare(hint)} == {}


def test_a_command_without_backticks_would_be_found() -> None:
    assert bare("run this as root: sudo holdstill setup")
    assert bare("if it is the right one, say --confirm X --again X")
    assert not bare("run this as root: `sudo holdstill setup`")
