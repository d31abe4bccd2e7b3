"""A run goes over to the next session of the same program, and to nobody else."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError
from holdstill.keeper import incoming, odd_places, run_handover
from holdstill.system.clocks import SystemClock
from support import keeping
from support.keeping import PIER_3

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from support.keeping import FakeClock


def test_who_says_the_same_word_has_the_session_before_make_way(store: Store) -> None:
    first = run_handover.take_lock(store, PIER_3, "our word")
    assert not run_handover.is_wanted(store, PIER_3, "our word")

    def make_way() -> None:
        while not run_handover.is_wanted(store, PIER_3, "our word"):
            SystemClock().sleep(0.01)
        first.release()

    waiting = threading.Thread(target=make_way)
    waiting.start()
    with run_handover.take_lock(store, PIER_3, "our word").held():
        waiting.join()

        assert not run_handover.is_wanted(store, PIER_3, "our word")
        assert incoming.is_running(store, PIER_3)


@pytest.mark.parametrize(("held_by", "wanted_by"), [("a word", "another"), ("", ""), ("a", "")])
def test_nobody_else_has_it_make_way(store: Store, held_by: str, wanted_by: str) -> None:
    with run_handover.take_lock(store, PIER_3, held_by).held():
        with pytest.raises(BusyError):
            run_handover.take_lock(store, PIER_3, wanted_by)

        assert not run_handover.is_wanted(store, PIER_3, held_by)


def test_the_word_is_nowhere_to_be_read_and_its_files_are_not_odd(store: Store) -> None:
    run_handover.take_lock(store, PIER_3, "our word").release()
    (store.board_folder(PIER_3) / run_handover.NEXT).write_bytes(b"of a session that died")

    files = [path for path in store.root.rglob("*") if path.is_file()]

    assert not [path for path in files if b"our word" in path.read_bytes()]
    assert odd_places.found(store) == ()


def test_a_keeper_without_a_run_makes_way_for_nobody(store: Store, clock: FakeClock) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    keeper.begin("our word")
    keeper.close()
    (store.board_folder(PIER_3) / run_handover.NEXT).write_bytes(run_handover._digest("our word"))

    assert not keeper.is_wanted()


def test_a_link_in_the_place_of_the_lock_leads_nowhere(store: Store, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_bytes(b"not ours")
    (store.board_folder(PIER_3) / run_handover.NEXT).symlink_to(tmp_path / "elsewhere")

    run_handover.take_lock(store, PIER_3, "our word").release()

    assert (tmp_path / "elsewhere").read_bytes() == b"not ours"
