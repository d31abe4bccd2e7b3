from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.keeper import capture_notes, enrolment
from holdstill.keeper.store import WATCHED
from holdstill.model.finding import Finding, FindingKind
from holdstill.model.nightly_state import Message, MessageKind
from holdstill.model.settings import WatchSettings
from holdstill.notify import metrics
from holdstill.workflow import silence
from support import keeping
from support.keeping import OTHER_KEY, PIER_3, PIER_4, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from holdstill.workflow.silence import BoardSilence

DAY = 86_400.0
THREE_DAYS = WatchSettings(silent_days=3)


@dataclass
class Crowd:
    """Somebody who can be reached, or not."""

    is_there: bool = True
    got: list[Message] = field(default_factory=list)

    def names(self) -> tuple[str, ...]:
        return ("harbour-master",)

    def complaint(self) -> str:
        return ""

    def send(self, letter: Message) -> tuple[str, ...]:
        if not self.is_there:
            return ()
        self.got.append(letter)
        return letter.to


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=clock)


@pytest.fixture
def board(store: Store, clock: FakeClock) -> Board[LocalKeeper]:
    return Board(keeping.keeper_of(store, clock=clock), clock=clock)


@dataclass
class Round:
    """One run of the timer after the other."""

    store: Store
    clock: FakeClock
    people: Crowd = field(default_factory=Crowd)
    settings: WatchSettings = THREE_DAYS

    def at(self, days: float) -> tuple[BoardSilence, ...]:
        """Let so many days pass, and watch."""
        self.clock.advance(days * DAY)
        return silence.watch(
            self.store, self.settings, self.people, clock=self.clock, runner=FakeSignatures()
        )

    @property
    def told(self) -> list[tuple[MessageKind, str]]:
        return [(letter.kind, letter.body) for letter in self.people.got]


def test_a_silent_board_is_told_once_and_once_that_it_is_back(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    rounds = Round(store, clock)

    silent = [rounds.at(days)[0].is_silent for days in (1, 1.9, 0.2, 1, 5)]
    board.capture()
    back = [rounds.at(0.1)[0].is_silent, rounds.at(1)[0].is_silent]

    assert (silent, back) == ([False, False, True, True, True], [False, False])
    newest = keeping.keeper_of(store, clock=clock).captures()
    assert rounds.told == [
        (
            MessageKind.SILENCE,
            f"pier-3: no good capture for 3.1 days; the last is {newest[0].name}",
        ),
        (MessageKind.RECOVERY, f"pier-3: captured again, {newest[1].name}"),
    ]


def test_a_board_that_never_captured_counts_from_its_enrolment(
    store: Store, clock: FakeClock
) -> None:
    rounds = Round(store, clock)

    rounds.at(2)
    rounds.at(2)

    assert rounds.told == [
        (MessageKind.SILENCE, "pier-3: no good capture for 4.0 days; there was none yet")
    ]


def test_a_capture_with_faults_is_no_good_capture(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    clock.advance(2 * DAY)
    sealed = board.capture()
    manifest = store.board_folder(PIER_3) / "captures" / sealed.name / "manifest.yaml"
    manifest.chmod(0o600)
    manifest.write_bytes(b"something else")

    (state,) = Round(store, clock).at(1.5)

    assert state.is_silent
    assert state.days == pytest.approx(3.5)
    assert state.captures == 2


def test_captures_that_cannot_be_judged_are_told_and_do_not_hide_other_boards(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=clock, limits=None)
    (store.board_folder(PIER_4) / "enrolment.yaml").write_bytes(b"board: [")

    states = {state.board: state for state in Round(store, clock).at(0.5)}

    assert not states[PIER_3].is_silent
    assert states[PIER_4].sentence.startswith("pier-4: ")
    assert "; what to do: " in states[PIER_4].sentence


@pytest.mark.parametrize("board", ["Pier 4", "lost+found", "pier-4"])
def test_h20_a_folder_that_is_no_enrolled_board_is_told_like_a_silent_one(
    store: Store, clock: FakeClock, board: str
) -> None:
    (store.root / "boards" / board).mkdir()
    rounds = Round(store, clock)

    states = {state.board: state for state in rounds.at(0.5)}
    rounds.at(0.5)

    assert not states["pier-3"].is_silent
    assert states[board].exit_code == 7
    (letter,) = rounds.people.got
    assert letter.body.startswith(f"{board}: {store.root}/boards/{board}")


@pytest.mark.parametrize("since", ["yesterday", "", "0001-01-01T00:00:00+05:00"])
def test_h7_a_date_that_is_none_is_a_trouble_of_that_board(
    store: Store, clock: FakeClock, since: str
) -> None:
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=clock, limits=None)
    path = store.board_folder(PIER_4) / "enrolment.yaml"
    text = re.sub(r"added_at: .*", f"added_at: {since!r}", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")

    states = {state.board: state for state in Round(store, clock).at(0.5)}

    assert not states[PIER_3].is_silent
    assert "is no moment" in states[PIER_4].sentence


@pytest.mark.parametrize("captures", [0, 1])
def test_m10_what_arrived_in_the_future_is_a_fault_of_the_clock_until_the_next_capture(
    store: Store, clock: FakeClock, board: Board[LocalKeeper], captures: int
) -> None:
    path = store.board_folder(PIER_3) / "enrolment.yaml"
    text = re.sub(r"added_at: .*", "added_at: '2036-02-07T06:28:16Z'", path.read_text("utf-8"))
    path.write_text(text, encoding="utf-8")
    if captures:
        clock.advance(3650 * DAY)
        board.capture()
        clock.advance(-3650 * DAY)
    rounds = Round(store, clock)

    states = {state.board: state for state in rounds.at(0.1)}

    assert states[PIER_3].is_silent
    assert states[PIER_3].exit_code == 8
    assert "the clock of this keeper was wrong then, or is now" in states[PIER_3].sentence
    assert "timedatectl" in states[PIER_3].sentence
    (letter,) = rounds.people.got
    assert letter.body.startswith("pier-3: its last capture arrived")
    board.capture()
    assert not {state.board: state for state in rounds.at(0.1)}[PIER_3].is_silent


def test_m10_a_clock_that_was_put_back_by_minutes_is_no_fault(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    clock.advance(-600)

    (state,) = Round(store, clock).at(0)

    assert (state.is_silent, state.days) == (False, 0.0)


def test_m1_of_a_board_that_cannot_be_judged_the_numbers_say_just_that(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    (store.root / "boards" / "Pier 4").mkdir()

    found = metrics.rendered(silence.metrics(Round(store, clock).at(0.5))).decode().splitlines()

    assert 'holdstill_keeper_unreadable{board="Pier 4"} 1.0' in found
    assert 'holdstill_keeper_unreadable{board="pier-3"} 0.0' in found
    assert 'holdstill_keeper_captures{board="pier-3"} 1.0' in found
    assert not [line for line in found if line.startswith('holdstill_keeper_captures{board="Pier')]


def test_many_boards_that_fall_silent_together_are_one_letter(
    store: Store, clock: FakeClock
) -> None:
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=clock, limits=None)
    rounds = Round(store, clock)

    rounds.at(4)
    rounds.at(1)

    (letter,) = rounds.people.got
    assert letter.title.endswith(": 2 boards need a look")
    assert [line.split(":")[0] for line in letter.body.splitlines()] == [PIER_3, PIER_4]


def test_a_board_may_have_days_of_its_own(store: Store, clock: FakeClock) -> None:
    settings = WatchSettings(silent_days=3, silent_days_of={"pier-3": 10})
    rounds = Round(store, clock, settings=settings)

    assert not rounds.at(9)[0].is_silent
    assert rounds.at(1)[0].is_silent


def test_who_cannot_be_reached_is_told_at_the_next_round(store: Store, clock: FakeClock) -> None:
    rounds = Round(store, clock, people=Crowd(is_there=False))
    rounds.at(4)
    rounds.people.is_there = True

    rounds.at(0.1)
    rounds.at(0.1)

    assert [kind for kind, _ in rounds.told] == [MessageKind.SILENCE]


def test_looking_changes_nothing_and_a_quiet_round_writes_nothing(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    before = keeping.snapshot(store.root)

    silence.find_silent(store, THREE_DAYS, clock=clock, runner=FakeSignatures())
    Round(store, clock).at(1)

    assert keeping.snapshot(store.root) == before


def test_the_numbers_are_one_for_each_board(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=clock, limits=None)
    states = Round(store, clock).at(3.5)

    found = metrics.rendered(silence.metrics(states)).decode().splitlines()

    samples = dict(line.rsplit(" ", 1) for line in found if not line.startswith("#"))
    assert samples['holdstill_keeper_captures{board="pier-3"}'] == "1.0"
    assert samples['holdstill_keeper_captures{board="pier-4"}'] == "0.0"
    assert samples['holdstill_keeper_silent{board="pier-4"}'] == "1.0"
    assert 'holdstill_keeper_last_capture_timestamp_seconds{board="pier-4"}' not in samples


def damage(store: Store, clock: FakeClock, name: str) -> None:
    capture_notes.damaged(store, PIER_3, [name], clock=clock)


def lose_capture(store: Store, clock: FakeClock, name: str) -> None:
    shutil.rmtree(store.board_folder(PIER_3) / "captures" / name)


def overwrite_ledger(store: Store, clock: FakeClock, name: str) -> None:
    path = store.board_folder(PIER_3) / "ledger.jsonl"
    data = path.read_bytes()
    path.write_bytes(data[:40] + b"ZZZZ" + data[44:])


def roll_ledger_back(store: Store, clock: FakeClock, name: str) -> None:
    (store.board_folder(PIER_3) / "ledger.jsonl").write_bytes(b"")


def lose_board(store: Store, clock: FakeClock, name: str) -> None:
    store.board_folder(PIER_3).rename(store.root.parent / "elsewhere")


@pytest.mark.parametrize(
    ("spoil", "code", "words"),
    [
        (damage, 7, "1 capture has damaged contents: {name}"),
        (lose_capture, 7, "captures are missing: {name}"),
        (overwrite_ledger, 9, "the chain is broken"),
        (roll_ledger_back, 9, "captures that are not in the ledger: {name}"),
        (lose_board, 7, "the folder of this board is gone"),
    ],
)
def test_what_is_wrong_with_captures_is_told_once_and_by_the_exit_code(
    board: Board[LocalKeeper],
    store: Store,
    clock: FakeClock,
    spoil: Callable[[Store, FakeClock, str], None],
    code: int,
    words: str,
) -> None:
    name = board.capture().name
    rounds = Round(store, clock)
    assert silence.exit_code(rounds.at(0.1)) == 0

    spoil(store, clock, name)
    found = [silence.exit_code(rounds.at(0.1)) for _ in range(2)]

    assert found == [code, code]
    (letter,) = rounds.people.got
    assert letter.kind is MessageKind.SILENCE
    assert words.format(name=name) in letter.body
    assert "; what to do: " in letter.body


def test_what_is_remembered_may_be_lost(store: Store, clock: FakeClock) -> None:
    (store.root / WATCHED).write_bytes(b"{half a")

    rounds = Round(store, clock)
    rounds.at(4)

    kept = silence.SilenceStateFile(store.root).load()
    assert kept == silence.SilenceState(told=("pier-3",))
    assert msgspec.json.decode((store.root / WATCHED).read_bytes())["told"] == ["pier-3"]


def found(kind: FindingKind, what: str) -> Finding:
    return Finding(kind=kind, what=what, why="it is on /dev/sda1")


def test_a_board_whose_newest_capture_lacks_something_needs_a_look_and_is_not_silent(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.findings = (found(FindingKind.LEFT_OUT, "/mnt"),)
    board.capture()
    (state,) = Round(store, clock).at(1)
    assert (state.exit_code, state.incomplete) == (0, "")

    board.findings = (
        found(FindingKind.MISSING, "/srv"),
        found(FindingKind.MISSING, "/home"),
        found(FindingKind.NOT_REBUILDABLE, "/"),
        *board.findings,
    )
    board.capture()
    (state,) = Round(store, clock).at(1)

    newest = keeping.keeper_of(store, clock=clock).captures()[-1]
    assert (newest.missing, newest.not_rebuildable, newest.left_out) == (2, 1, 1)
    assert newest.completeness == "2 missing, 1 cannot be rebuilt, 1 left out"
    assert (state.exit_code, state.is_silent) == (8, False)
    assert "(2 missing, 1 cannot be rebuilt; see `holdstill show`)" in state.sentence
