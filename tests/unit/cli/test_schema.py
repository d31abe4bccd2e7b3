"""Every command that prints JSON has a JSON Schema; tests/tools/test_screens.py prints.

The judge is the library jsonschema, which knows nothing of our types (JSON Schema 2020-12).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import jsonschema
import pytest
from click import Context, Group

from holdstill.cli import main, schema
from support.command_line import attempt, holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator


def with_json(group: Group, *above: str) -> Iterator[str]:
    context = Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, Group):
            yield from with_json(command, *above, name)
        elif any("--json" in parameter.opts for parameter in command.params):
            yield " ".join((*above, name))


def test_every_command_with_json_has_a_schema_and_no_other() -> None:
    assert sorted(with_json(main.holdstill)) == sorted(schema.OUTPUTS)


@pytest.mark.parametrize("name", schema.OUTPUTS)
def test_a_schema_is_one_itself_and_tells_something(name: str) -> None:
    printed = json.loads(holdstill("schema", *name.split()))

    jsonschema.Draft202012Validator.check_schema(printed)
    assert printed["$schema"] == schema.DIALECT
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(["no object"], printed)


def test_a_command_without_json_is_refused_with_those_that_have_it() -> None:
    done = attempt("schema", "nightly")

    assert done.returncode == 2
    assert b"keeper reader list" in done.stderr
