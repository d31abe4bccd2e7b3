from __future__ import annotations

import os
import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.keeper import capture_notes, enrolment, references
from holdstill.keeper.store import WATCHED
from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.model.finding import Finding, FindingKind
from holdstill.model.nightly_state import Message, MessageKind
from holdstill.model.settings import KeeperSettings, WatchSettings
from holdstill.model.sizes import ByteSize
from holdstill.notify import metrics
from holdstill.workflow import silence
from support import keeping
from support.keeping import OTHER_KEY, PIER_3, PIER_4, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from holdstill.workflow.silence import BoardSilence, Look

DAY = 86_400.0
THREE_DAYS = WatchSettings(silent_days=3)


def keeper_settings(store: Store, notify: WatchSettings = THREE_DAYS) -> KeeperSettings:
    return KeeperSettings(store=store.root, min_free=ByteSize(0), min_free_inodes=0, notify=notify)


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
def board(store: Store, clock: FakeClock) -> Board[LocalKeeper]:
    return Board(keeping.keeper_of(store, clock=clock), clock=clock)


@dataclass
class Round:
    """One run of the timer after the other."""

    store: Store
    clock: FakeClock
    people: Crowd = field(default_factory=Crowd)
    settings: WatchSettings = THREE_DAYS

    def look(self, days: float) -> Look:
        """Let so many days pass, and watch."""
        self.clock.advance(days * DAY)
        return silence.watch(
            self.store, keeper_settings(self.store, self.settings), self.people,
            clock=self.clock, runner=FakeSignatures(),
        )  # fmt: skip

    def at(self, days: float) -> tuple[BoardSilence, ...]:
        """Do so, and return what was seen of the boards."""
        return self.look(days).boards

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
        (MessageKind.RECOVERY, f"pier-3: the last good capture is {newest[1].name}, 2 hours old"),
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

    found = metrics.rendered(silence.metrics(Round(store, clock).look(0.5))).decode().splitlines()

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

    silence.look_at(store, keeper_settings(store), clock=clock, runner=FakeSignatures())
    Round(store, clock).at(1)

    assert keeping.snapshot(store.root) == before


def test_the_numbers_are_one_for_each_board(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=clock, limits=None)
    looked = Round(store, clock).look(3.5)

    found = metrics.rendered(silence.metrics(looked)).decode().splitlines()

    samples = dict(line.rsplit(" ", 1) for line in found if not line.startswith("#"))
    assert samples['holdstill_keeper_captures{board="pier-3"}'] == "1.0"
    assert samples['holdstill_keeper_captures{board="pier-4"}'] == "0.0"
    assert samples['holdstill_keeper_silent{board="pier-4"}'] == "1.0"
    assert 'holdstill_keeper_last_capture_timestamp_seconds{board="pier-4"}' not in samples


def damage(store: Store, clock: FakeClock, name: str) -> None:
    capture_notes.damaged(store, PIER_3, [name], clock=clock)


def not_read(store: Store, clock: FakeClock, name: str) -> None:
    capture_notes.unread(store, PIER_3, [name], clock=clock)


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
        (not_read, 4, "1 capture has contents that could not be read when that was last tried"),
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
    assert rounds.look(0.1).exit_code == 0

    spoil(store, clock, name)
    found = [rounds.look(0.1).exit_code for _ in range(2)]

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


def spoil_content(store: Store) -> None:
    (store.root / "content").chmod(0o300)  # a content is found by its name still


def trash_elsewhere(store: Store) -> None:
    store.trash.rename(store.root.parent / "trash")
    store.trash.symlink_to(store.root.parent / "trash")


def folder_for_references(store: Store) -> None:
    (store.root / references.NAME).unlink(missing_ok=True)
    (store.root / references.NAME).mkdir()


@pytest.mark.parametrize(
    ("spoil", "place", "mend"),
    [
        (spoil_content, "content", lambda path: path.chmod(0o700)),
        (trash_elsewhere, "trash", Path.unlink),
        (folder_for_references, references.NAME, Path.rmdir),
    ],
)
def test_what_is_wrong_with_a_store_is_told_once_and_once_that_it_is_well_again(
    store: Store,
    clock: FakeClock,
    board: Board[LocalKeeper],
    spoil: Callable[[Store], None],
    place: str,
    mend: Callable[[Path], None],
) -> None:
    board.capture()
    rounds = Round(store, clock)
    assert rounds.look(0.1).store == ()

    spoil(store)
    looks = [rounds.look(0.1), rounds.look(0.1)]

    assert [look.exit_code for look in looks] == [8, 8]
    (trouble,) = looks[0].store
    assert trouble.startswith(f"{store.root}/{place}: ")
    assert "what to do: " in trouble
    mend(store.root / place)
    assert rounds.look(0.1).exit_code == 0
    first, last = rounds.told
    assert (first[0], trouble in first[1]) == (MessageKind.SILENCE, True)
    assert last == (MessageKind.RECOVERY, "What was wrong with it as a whole is mended.")


@pytest.mark.parametrize("floor", [{"min_free": ByteSize(1 << 60)}, {"min_free_inodes": 1 << 50}])
def test_a_full_disk_needs_a_look(
    store: Store, clock: FakeClock, board: Board[LocalKeeper], floor: dict[str, int]
) -> None:
    board.capture()
    settings = msgspec.structs.replace(keeper_settings(store), **floor)

    looked = silence.look_at(store, settings, clock=clock, runner=FakeSignatures())

    (trouble,) = looked.store
    assert looked.exit_code == 8
    assert trouble.startswith(f"{store.root}: ")
    assert "no board can capture; what to do: " in trouble


def test_a_board_that_could_not_be_judged_is_not_said_to_have_captured(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    name = board.capture().name
    rounds = Round(store, clock)
    away = store.root.parent / "away"
    store.board_folder(PIER_3).rename(away)
    rounds.at(0.5)
    away.rename(store.board_folder(PIER_3))

    rounds.at(0.5)

    assert [line for kind, line in rounds.told if kind is MessageKind.RECOVERY] == [
        f"pier-3: the last good capture is {name}, 24 hours old"
    ]


LACKS = BootFinding(verdict=BootVerdict.BROKEN, lacking=("firmware: kernel: none of kernel8.img",))


def test_a_capture_that_would_not_boot_as_those_before_it_is_told(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    rounds, names = Round(store, clock), list[str]()
    for finding in (BootFinding(verdict=BootVerdict.WHOLE), LACKS):
        names.append(board.capture().name)
        capture_notes.judged(store, PIER_3, names[-1], finding, clock=clock)
        rounds.at(0.1)
    (state,) = rounds.at(0.1)
    names.append(board.capture().name)
    rounds.at(0.1)

    assert (state.exit_code, state.is_silent, state.needs_a_look) == (8, False, True)
    bad, good = (f"pier-3: the last good capture is {name}, 2 hours old" for name in names[1:])
    lacks = "and a card made of it would not boot: firmware: kernel: none of kernel8.img"
    assert rounds.told == [
        (MessageKind.SILENCE, f"{bad}, {lacks}"),
        (MessageKind.RECOVERY, good),
    ]


def test_a_board_of_which_no_capture_would_boot_is_no_alarm(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    """Its loader may be one that we do not know, or it boots from elsewhere."""
    for _ in range(2):
        capture_notes.judged(store, PIER_3, board.capture().name, LACKS, clock=clock)

    (state,) = Round(store, clock).at(0.1)

    assert (state.exit_code, state.boot_lacks) == (0, ())
    assert state.never_boots == LACKS.lacking  # which `status` does not call well


def test_nothing_is_said_of_the_boots_of_a_board_that_was_withdrawn(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    capture_notes.judged(store, PIER_3, board.capture().name, LACKS, clock=clock)
    enrolment.retire(store, PIER_3, clock=clock)

    (state,) = Round(store, clock).at(0.1)

    assert state.never_boots == ()


def test_a_board_whose_copy_was_seen_booting_is_believed_to_boot(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    name = board.capture().name
    capture_notes.judged(store, PIER_3, name, LACKS, clock=clock)
    capture_notes.booted(store, PIER_3, name, clock=clock)

    (state,) = Round(store, clock).at(0.1)

    assert (state.boot_lacks, state.never_boots) == ((), ())


@pytest.mark.parametrize("file", ["manifest.yaml", "manifest.yaml.sig"])
def test_a_newest_capture_that_is_not_to_be_believed_is_told(
    store: Store, clock: FakeClock, board: Board[LocalKeeper], file: str
) -> None:
    good, bad = (board.capture().name for _ in range(2))
    path = store.board_folder(PIER_3) / "captures" / bad / file
    path.chmod(0o600)
    path.write_bytes(path.read_bytes() + b"#")
    rounds = Round(store, clock)

    (state,) = rounds.at(0.1)

    assert state.exit_code == 9
    assert f"1 capture is not as sealed: {bad}: bad " in state.sentence
    assert state.sentence.endswith(f"; the last good capture is {good}, 2 hours old")


@pytest.mark.parametrize("file", ["manifest.yaml", "manifest.yaml.sig"])
def test_an_old_capture_that_is_not_as_it_was_sealed_is_told_as_well(
    store: Store, clock: FakeClock, board: Board[LocalKeeper], file: str
) -> None:
    old, _, newest = (board.capture().name for _ in range(3))
    path = store.board_folder(PIER_3) / "captures" / old / file
    path.chmod(0o600)
    path.write_bytes(path.read_bytes()[:-1])

    (state,) = Round(store, clock).at(0.1)

    assert state.exit_code == 9
    assert f"1 capture is not as sealed: {old}: bad " in state.sentence
    assert state.sentence.endswith(f"; the last good capture is {newest}, 2 hours old")


def test_a_capture_with_damage_is_not_called_the_last_good_one(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    names = [board.capture().name for _ in range(3)]
    ends = []
    for damaged in (names[1:], names):
        capture_notes.damaged(store, PIER_3, damaged, clock=clock)
        (state,) = Round(store, clock).at(0.1)
        ends.append(state.sentence.rpartition(";")[2])

    assert ends == [f" the last good capture is {names[0]}", " there is no whole one"]


def test_a_name_in_the_settings_that_no_board_has_needs_a_look(
    store: Store, clock: FakeClock
) -> None:
    settings = keeper_settings(store, WatchSettings(silent_days_of={"pier-3": 4, "pire-3": 4}))

    looked = silence.look_at(store, settings, clock=clock, runner=FakeSignatures())

    (trouble,) = looked.store
    assert "silent_days_of in the keeper's settings has a board pire-3" in trouble


def test_what_cannot_be_remembered_is_told_at_every_look(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    rounds = Round(store, clock)
    (store.root / f".{WATCHED}.draft").mkdir()

    looks = [rounds.look(4), rounds.look(0.1)]

    assert [kind for kind, _ in rounds.told] == [MessageKind.SILENCE] * 2
    (trouble,) = looks[1].store
    assert f"{WATCHED} cannot be written, so that people are told at every look" in trouble
    assert trouble.endswith("Is a directory")


def test_a_folder_whose_name_is_no_text_is_told(store: Store, clock: FakeClock) -> None:
    """What a NAS or a desktop left there must not end the alarms."""
    os.mkdir(os.fsencode(store.root / "boards") + b"/caf\xe9")  # noqa: PTH102  bytes
    rounds = Round(store, clock)

    rounds.at(0.1)
    rounds.at(0.1)

    ((_, body),) = rounds.told
    assert "the folder of no board" in body


def test_damage_of_one_board_shows_in_the_exit_code_although_another_is_silent(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=clock, limits=None)
    clock.advance(5 * DAY)
    damage(store, clock, board.capture().name)

    assert Round(store, clock).look(0.1).exit_code == 7


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


def test_a_board_whose_captures_and_ledger_are_gone_is_told(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    """A board that never captured looks the same, but for what the store remembers of it."""
    board.capture()
    folder = store.board_folder(PIER_3)
    shutil.rmtree(folder / "captures")
    (folder / "captures").mkdir()
    (folder / "ledger.jsonl").unlink()

    (state,) = Round(store, clock).at(0.1)

    assert state.exit_code == 7
    assert "captures and their lines in the ledger are gone: " in state.sentence
    assert "this capture is missing" in state.sentence


def test_n2_a_store_that_is_older_than_its_board_needs_a_look_until_that_is_accepted(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    board.last_known = 7
    newest = board.capture().name
    rounds = Round(store, clock)

    (told,) = rounds.at(0.1)
    capture_notes.accept(store, PIER_3, "the disk died", clock=clock)
    (accepted,) = rounds.at(0.1)

    assert (told.exit_code, accepted.exit_code) == (8, 0)
    assert told.sentence.startswith(
        "pier-3: when it brought capture 2, it had brought capture 7 before: captures are lost"
    )
    assert f"keeper accept {store.root} pier-3 --reason" in told.sentence
    assert f"; the last good capture is {newest}" in told.sentence


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 minutes"), (20, "1 minute"), (60, "1 minute"), (61, "2 minutes"), (7200, "2 hours")],
)
def test_the_age_of_a_capture_is_told_in_whole_words(seconds: int, words: str) -> None:
    assert silence.BoardSilence(board="pier-3", days=seconds / 86_400).age == words
