from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError
from holdstill.transport.board_keys import BoardKeys

if TYPE_CHECKING:
    from pathlib import Path

ONE, OTHER = (f"ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAI{letter * 43}" for letter in ("A", "B"))


def test_what_was_seen_first_is_what_is_believed(tmp_path: Path) -> None:
    keys = BoardKeys(tmp_path / "keeper.boards")

    keys.check("pier-3", [ONE])
    keys.check("pier-3", [ONE])
    keys.check("buoy", [OTHER])

    with pytest.raises(SecurityError, match="another key of board pier-3"):
        keys.check("pier-3", [OTHER])


@pytest.mark.parametrize("between", ["\n", "\r", "\v", "\x85"])
def test_a_key_with_a_line_in_it_plants_none_for_another_board(
    tmp_path: Path, between: str
) -> None:
    keys = BoardKeys(tmp_path / "keeper.boards")
    keys.check("pier-3", [ONE])
    before = keys.path.read_bytes()

    with pytest.raises(SecurityError, match="not an ed25519"):
        keys.check("zz", [f"{ONE}{between}pier-3 {OTHER}\n"])

    assert keys.path.read_bytes() == before
