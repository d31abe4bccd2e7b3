"""The example settings are right by the same decoder that reads a user's."""

from __future__ import annotations

from pathlib import Path

import pytest

from holdstill.errors import DocumentError
from holdstill.model import settings

CONFIGS = Path(__file__).parents[2] / "configs"
DECODERS = {
    "board": settings.decode_board_settings,
    "keeper": settings.decode_keeper_settings,
}


@pytest.mark.parametrize(
    "example", [pytest.param(path, id=path.name) for path in sorted(CONFIGS.rglob("*.yaml"))]
)
def test_an_example_decodes(example: Path) -> None:
    kind = example.stem.split("-")[0]

    DECODERS[kind](example.read_bytes(), example.name)


@pytest.mark.parametrize("kind", DECODERS)
def test_a_misspelt_setting_would_be_noticed(kind: str) -> None:
    with pytest.raises(DocumentError, match="stoer"):
        DECODERS[kind](b"stoer: /srv/captures\n", "example")
