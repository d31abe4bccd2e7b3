"""Small faults for source code, found in its syntax tree; pure.

A fault that no test notices shows a decision that no test asserts. Left alone are types,
docstrings, protocols and messages: a fault there is none, or is one for the type checker.
"""

from __future__ import annotations

import ast
import random
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

_COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Add,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
_SHARE = 4
"""No kind of fault makes up more than one in so many of a sample, or the cheap ones would."""


@dataclass(frozen=True)
class Mutant:
    """A file with one fault.

    Attributes:
        file: of the package, below agent/holdstill.
        line: of the source, from 1 on, at which the fault begins.
        statement: line at which the statement begins that it is in.
        was, now: the place before and after.
        source: the whole file.
    """

    file: Path
    line: int
    statement: int
    kind: str
    was: str
    now: str
    source: bytes


def mutants(file: Path, source: bytes) -> list[Mutant]:
    """Return every fault that we know to make in a file, in the order of its lines."""
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found = []
    for node, statement in _reachable(ast.parse(source), 1):
        start = starts[node.lineno - 1] + node.col_offset
        end = starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)
        for kind, text in _faults(node):
            changed = source[:start] + text.encode() + source[end:]
            was = source[start:end].decode()
            found.append(Mutant(file, node.lineno, statement, kind, was, text, changed))
    return sorted(found, key=lambda mutant: mutant.line)


def sample(found: Sequence[Mutant], *, seed: int, limit: int) -> list[Mutant]:
    """Draw some: at most one a line, and a quarter of a kind; the same ones for the same seed."""
    drawn: dict[tuple[Path, int], Mutant] = {}
    kinds: Counter[str] = Counter()
    most = -(-limit // _SHARE)
    for mutant in random.Random(seed).sample(found, len(found)):  # noqa: S311  no secret
        place = (mutant.file, mutant.line)
        if len(drawn) < limit and place not in drawn and kinds[mutant.kind] < most:
            drawn[place] = mutant
            kinds[mutant.kind] += 1
    return [drawn[place] for place in sorted(drawn)]


def _reachable(node: ast.AST, statement: int) -> Iterator[tuple[ast.expr | ast.stmt, int]]:
    """Yield statements and expressions where a fault would be one, with their statement's line."""
    for child in _children(node):
        inner = child.lineno if isinstance(child, ast.stmt) else statement
        if isinstance(child, ast.expr | ast.stmt):
            yield child, inner
        yield from _reachable(child, inner)


def _children(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.ClassDef(bases=bases) if any("Protocol" in ast.unparse(base) for base in bases):
            return
        case ast.If(test=ast.Name(id="TYPE_CHECKING")) | ast.JoinedStr() | ast.Raise():
            return  # places within an f-string are wrong until Python 3.12
        case ast.FunctionDef(args=args, body=body):
            yield from (*args.defaults, *(value for value in args.kw_defaults if value))
            yield from body
        case ast.AnnAssign(value=value):
            yield from [value] if value else []
        case ast.Expr(value=ast.Constant()):
            return
        case _:
            yield from ast.iter_child_nodes(node)


def _faults(node: ast.expr | ast.stmt) -> Iterator[tuple[str, str]]:
    """Yield kind and text of what may stand in the place of a node."""
    match node:
        case ast.Compare(ops=[operator], left=left, comparators=right):
            for other in _COMPARISONS[type(operator)]:
                yield "comparison", _text(ast.Compare(left, [other()], right))
        case ast.BoolOp(op=operator, values=values):
            opposite = ast.Or() if isinstance(operator, ast.And) else ast.And()
            yield "and/or", _text(ast.BoolOp(opposite, values))
            for left_out in range(len(values)):
                rest = values[:left_out] + values[left_out + 1 :]
                yield "term", _text(ast.BoolOp(operator, rest) if len(rest) > 1 else rest[0])
        case ast.BinOp(op=operator, left=left, right=right) if type(operator) in _ARITHMETIC:
            yield "arithmetic", _text(ast.BinOp(left, _ARITHMETIC[type(operator)](), right))
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield "not", _text(operand)
        case ast.IfExp(test=test, body=body, orelse=other_value):
            yield "not", _text(ast.IfExp(test, other_value, body))
        case ast.Call(args=[first, second, *rest], keywords=keywords, func=function) if ast.dump(
            first
        ) != ast.dump(second):
            swapped = ast.Call(function, [second, first, *rest], keywords)
            yield "arguments", ast.unparse(swapped)
        case ast.Constant(value=bool(value)):
            yield "constant", str(not value)
        case ast.Constant(value=int(value)):
            yield from (("constant", f"({value + step})") for step in (1, -1))
        case ast.Constant(value=str(value)):
            yield "constant", repr(value + (value[:1] or "x"))
        case ast.Constant(value=bytes(value)):
            yield "constant", repr(value + (value[:1] or b"x"))
        case ast.Return(value=ast.expr() as value) if not _is_none(value):
            yield "return", "return None"
        case ast.Raise() | ast.AugAssign() | ast.Expr(value=ast.Call()) | ast.Continue():
            yield "deleted", "pass"
        case _:
            pass


def _is_none(value: ast.expr) -> bool:
    return isinstance(value, ast.Constant) and value.value is None


def _text(node: ast.expr) -> str:
    return f"({ast.unparse(node)})"
