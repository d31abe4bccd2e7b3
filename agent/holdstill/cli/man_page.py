"""The manual page, made from the help of all commands: `python -m holdstill.cli.man_page`.

Macros are those of man(7). configs/package/holdstill.1 is what this prints.
"""

from __future__ import annotations

import inspect
import re
import sys
from typing import TYPE_CHECKING

import click

from holdstill.cli import main
from holdstill.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Iterator

DATED = "2026-11-30"
"""When the layout of the page was last changed; man(7) wants a date."""
_WRITTEN = str.maketrans({"\\": r"\e", "-": r"\-", "'": r"\(aq", "`": r"\(ga"})
_AS_IT_IS = "\b"
"""click's mark, alone on a line, that the lines of a paragraph stay as they are."""


def page() -> str:
    """Return the manual page as troff source."""
    top = main.holdstill
    lines = [
        f'.TH HOLDSTILL 1 "{DATED}" "holdstill {VERSION}"',
        ".SH NAME",
        r"holdstill \- capture a running board, and rebuild it as a bootable card",
        ".SH SYNOPSIS",
        ".B holdstill",
        ".I COMMAND",
        "[OPTIONS] [ARGS]...",
        ".SH DESCRIPTION",
        *_text(top.help or ""),
        ".SH COMMANDS",
    ]
    for name, command in _commands(top):
        lines += _of_command(name, command)
    lines += [".SH EXIT STATUS", *_text((top.epilog or "").removeprefix("Exit codes: "))]
    return "\n".join(_without_empty_space(lines)) + "\n"


def _without_empty_space(lines: list[str]) -> Iterator[str]:
    """Leave out the paragraphs that begin where a heading has begun one."""
    before = ""
    for line in lines:
        if line != ".PP" or before[:3] not in {".SH", ".SS"}:
            yield line
        before = line


def _commands(group: click.Group, *above: str) -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from _commands(command, *above, name)
        elif command is not None:
            yield " ".join((*above, name)), command


def _of_command(name: str, command: click.Command) -> Iterator[str]:
    context = click.Context(command, info_name=f"holdstill {name}")
    usage = " ".join(command.collect_usage_pieces(context))
    yield f".SS {_escaped(f'holdstill {name} {usage}')}"
    yield from _text(command.help or "")
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if record is not None and "--help" not in record[0]:
            yield from (".TP", f".B {_escaped(record[0])}", _line(record[1]))


def _text(text: str) -> Iterator[str]:
    for paragraph in re.split(r"\n\s*\n", inspect.cleandoc(text)):
        words = paragraph.replace("\\b\n", f"{_AS_IT_IS}\n")
        if words.startswith(_AS_IT_IS):
            yield from (".PP", ".nf")
            yield from map(_line, words.removeprefix(_AS_IT_IS).strip("\n").splitlines())
            yield ".fi"
        else:
            yield ".PP"
            yield _line(" ".join(words.split()))


def _line(text: str) -> str:
    """Return a line of text, which troff must not take for a request."""
    escaped = _escaped(text)
    return rf"\&{escaped}" if escaped.startswith((".", "'")) else escaped


def _escaped(text: str) -> str:
    r"""Return text for troff: \ is \e, and a hyphen that is typed is \- (man-pages(7))."""
    return text.translate(_WRITTEN)


if __name__ == "__main__":
    sys.stdout.write(page())
