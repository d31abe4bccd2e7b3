"""The example settings leave nothing out, and are right by the decoder that reads a user's."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import DocumentError
from holdstill.model import settings

CONFIGS = Path(__file__).parents[2] / "configs"
DECODERS = {
    "board": settings.decode_board_settings,
    "keeper": settings.decode_keeper_settings,
}
# A default is a comment without a space after its mark, or with two inside another key.
DEFAULT = re.compile(r"^#(?=(?:  )?[a-z_]+:)", re.MULTILINE)


def switched_on(example: str) -> bytes:
    """Return an example with its commented defaults made settings."""
    return DEFAULT.sub("", example).encode()


def keys(value: object, path: str = "") -> set[str]:
    """Return the dotted names of all settings."""
    if isinstance(value, msgspec.Struct):
        value = msgspec.structs.asdict(value)
    if not isinstance(value, dict):
        return {path}
    return {path}.union(*(keys(below, f"{path}.{name}") for name, below in value.items()))


@pytest.mark.parametrize(
    "example", [pytest.param(path, id=path.name) for path in sorted(CONFIGS.rglob("*.yaml"))]
)
def test_an_example_decodes(example: Path) -> None:
    kind = example.stem.split("-")[0]

    DECODERS[kind](example.read_bytes(), example.name)


@pytest.mark.parametrize("kind", DECODERS)
def test_the_defaults_that_an_example_shows_are_the_defaults(kind: str) -> None:
    example = (CONFIGS / f"{kind}.yaml").read_text(encoding="utf-8")

    shown = DECODERS[kind](switched_on(example), "example, switched on")

    assert shown == DECODERS[kind](example.encode(), "example")


@pytest.mark.parametrize("kind", DECODERS)
def test_an_example_shows_every_setting(kind: str) -> None:
    example = (CONFIGS / f"{kind}.yaml").read_text(encoding="utf-8")
    known = DECODERS[kind](example.encode(), "example")

    lines = re.findall(r"^#?( *)([a-z_]+):", switched_on(example).decode(), re.MULTILINE)

    assert {name.rpartition(".")[2] for name in keys(known)} - {""} <= {key for _, key in lines}


@pytest.mark.parametrize("field", settings.Hook.__struct_fields__)
def test_the_board_example_shows_every_key_of_a_hook(field: str) -> None:
    example = (CONFIGS / "board.yaml").read_text(encoding="utf-8")

    assert re.search(rf"^#  +-? *{field}:", example, re.MULTILINE)


@pytest.mark.parametrize("kind", DECODERS)
def test_a_misspelt_setting_would_be_noticed(kind: str) -> None:
    with pytest.raises(DocumentError, match="stoer"):
        DECODERS[kind](b"stoer: /srv/captures\n", "example")
