"""A board learns that its key is no longer taken before it copies anything."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError
from holdstill.keeper import enrolment
from holdstill.model import store_address
from holdstill.model.settings import BoardSettings
from holdstill.records import signature
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_run
from support import keeping, keys
from support.keeping import PIER_3, FakeClock

if TYPE_CHECKING:
    from pathlib import Path


def settings(key: Path) -> BoardSettings:
    return BoardSettings(board=PIER_3, keeper=store_address.parse("/srv/holdstill"), key=key)


def test_a_replaced_key_is_refused_at_the_first_answer(tmp_path: Path) -> None:
    clock, machine = FakeClock(), LocalRunner()
    old, new = (keys.make_key(tmp_path / name).private for name in ("old", "new"))
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    for key in (old, new):
        public = signature.public_half(key, machine)
        enrolment.replace_key(store, PIER_3, public, clock=clock)
    hello = keeping.keeper_of(store, clock=clock).hello()

    capture_run.check_key(hello, settings(new), machine)
    with pytest.raises(SecurityError, match="withdrawn or replaced") as caught:
        capture_run.check_key(hello, settings(old), machine)

    assert "--key old.pub --replace-key" in caught.value.hint
