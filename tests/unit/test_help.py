"""Every command's --help shows how it is used."""

import shlex
from collections.abc import Iterator

import click
import pytest

from holdstill.cli import main


def commands(group: click.Group, *above: str) -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        words = (*above, name)
        if isinstance(command, click.Group):
            yield from commands(command, *words)
        else:
            yield " ".join(words), command


EVERY = dict(commands(main.holdstill))


def example_lines(command: click.Command) -> list[list[str]]:
    """Return the words of each example in a command's help, continued lines joined."""
    text = command.help or ""
    _, _, examples = text.replace("\\\n", " ").partition("Example")
    lines = [line.strip() for line in examples.splitlines()]
    return [shlex.split(line) for line in lines if line.startswith(("holdstill ", "echo "))]


def test_the_commands_are_found() -> None:
    assert {"capture", "rebuild", "keeper enrol", "compare", "audit", "setup"} <= set(EVERY)


@pytest.mark.parametrize("name", EVERY)
def test_the_help_of_a_command_has_an_example_of_that_command(name: str) -> None:
    lines = example_lines(EVERY[name])

    assert lines, f"`holdstill {name} --help` has no example"
    assert all(line[1 : 1 + len(name.split())] == name.split() for line in lines)


@pytest.mark.parametrize("name", EVERY)
def test_the_options_in_an_example_exist(name: str) -> None:
    known = {
        flag for option in EVERY[name].params for flag in (*option.opts, *option.secondary_opts)
    }

    used = {word for line in example_lines(EVERY[name]) for word in line if word.startswith("--")}

    assert used <= known


@pytest.mark.parametrize("name", EVERY)
def test_examples_keep_their_lines_and_fit_a_terminal(name: str) -> None:
    context = click.Context(EVERY[name], info_name=name, max_content_width=80, terminal_width=80)

    shown = EVERY[name].get_help(context)

    lines = [line.strip() for line in shown.splitlines()]
    assert "\\b" not in shown
    assert any(line.startswith(f"holdstill {name}") for line in lines)
    assert max(map(len, shown.splitlines())) <= 80


GROUPS = [pytest.param(main.holdstill, id="holdstill")] + [
    pytest.param(group, id=f"holdstill {name}")
    for name in main.holdstill.list_commands(click.Context(main.holdstill))
    if isinstance(
        group := main.holdstill.get_command(click.Context(main.holdstill), name), click.Group
    )
]


@pytest.mark.parametrize("group", GROUPS)
def test_the_list_of_commands_cuts_no_line_at_80_columns(group: click.Group) -> None:
    context = click.Context(group, info_name="holdstill", terminal_width=80)
    names = group.list_commands(context)

    shown = group.get_help(context)

    listed = shown.partition("Commands:\n")[2].splitlines()[: len(names)]
    assert [line.split()[0] for line in listed] == names  # each on one line
    assert "..." not in "".join(listed)
    assert max(map(len, shown.splitlines())) <= 80


@pytest.mark.parametrize("group", GROUPS)
def test_the_short_help_of_a_command_has_45_characters_at_most(group: click.Group) -> None:
    context = click.Context(group)
    commands_of = [group.get_command(context, name) for name in group.list_commands(context)]

    short = [command.short_help or "" for command in commands_of if command is not None]

    assert len(short) == len(commands_of)
    assert all(0 < len(text) <= 45 for text in short)
