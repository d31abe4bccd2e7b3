"""The ledger's chain: altered, missing, moved and cut-off lines show."""

from __future__ import annotations

import fcntl
import hashlib
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import SecurityError
from holdstill.keeper import ledger as ledgers
from holdstill.keeper.ledger import (
    AcceptedEvent,
    BootedEvent,
    DamagedEvent,
    ForgottenEvent,
    JudgedEvent,
    LedgerFile,
    PinnedEvent,
    SealedEvent,
    ThinnedEvent,
    UnpinnedEvent,
    UnreadEvent,
    VerifiedEvent,
)
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.model.protocol import CaptureBrief

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.ledger import Event

AT = "2026-11-25T02:15:03Z"
READ = "2026-11-20T02:15:03Z"


def sealed(seq: int) -> SealedEvent:
    brief = CaptureBrief(
        name=f"{seq:06}-20261125T021503Z",
        seq=seq,
        manifest=f"{seq:064}",
        index="i",
        grade="live",
        taken_at=AT,
    )
    previous = f"{seq - 1:064}" if seq > 1 else ""
    return SealedEvent(brief=brief, run="0" * 16, signature="s", previous=previous)


def written(*events: Event) -> bytes:
    return ledgers.next_lines(ledgers.parse(b""), events, at=AT)


FIVE = written(*(sealed(seq) for seq in range(1, 6)))


def test_a_ledger_is_read_as_it_was_written() -> None:
    ledger = ledgers.parse(FIVE)

    assert [event.brief.seq for event in ledger.sealed] == [1, 2, 3, 4, 5]
    assert ledger.last_sealed == sealed(5)
    assert (ledger.faults, ledger.torn) == ((), False)


# Every ledger is written in these words: with another one here, those of before cannot be read.
@pytest.mark.parametrize(
    ("event", "written_as"),
    [
        (ThinnedEvent(captures=("a",)), b'{"event":"thinned","captures":["a"]}'),
        (VerifiedEvent(captures={"a": READ}), b'{"event":"verified","captures":{"a":"%b"}}'),
        (ForgottenEvent(captures=("a",)), b'{"event":"forgotten","captures":["a"]}'),
        (DamagedEvent(captures=("a",)), b'{"event":"damaged","captures":["a"]}'),
        (UnreadEvent(captures=("a",)), b'{"event":"unread","captures":["a"]}'),
        (
            JudgedEvent(capture="a", finding=BootFinding(verdict=BootVerdict.WHOLE)),
            b'{"event":"judged","capture":"a","finding":{"verdict":"whole","lacking":[]}}',
        ),
        (BootedEvent(capture="a"), b'{"event":"booted","capture":"a"}'),
        (PinnedEvent(capture="a"), b'{"event":"pinned","capture":"a"}'),
        (UnpinnedEvent(capture="a"), b'{"event":"unpinned","capture":"a"}'),
        (
            AcceptedEvent(reason="a", breaks=("b",)),
            b'{"event":"accepted","reason":"a","breaks":["b"]}',
        ),
    ],
)
def test_events_keep_their_words(event: Event, written_as: bytes) -> None:
    said = written_as.replace(b"%b", READ.encode())

    assert b'"entry":' + said + b',"check":' in written(event)


def test_a_sealed_event_that_says_nothing_of_its_contents_has_none() -> None:
    line = written(sealed(1))

    assert b'"entry":{"event":"sealed","brief":{' in line
    assert b'"recovered":false,"taken_in":false,"contents":0,"content_sum":0}' in line


def test_an_empty_ledger_is_sound() -> None:
    ledger = ledgers.parse(b"")

    assert (ledger.last_sealed, ledger.faults, ledger.next_number) == (None, (), 1)
    assert ledger.last_hash == ""
    assert b'"before":"",' in written(sealed(1))


def test_lines_can_be_added_in_any_portions() -> None:
    data = b""
    for seq in range(1, 6):
        data += ledgers.next_lines(ledgers.parse(data), [sealed(seq)], at=AT)

    assert data == FIVE


@pytest.mark.parametrize("position", range(5))
def test_s32_a_line_that_was_taken_out_shows(position: int) -> None:
    lines = FIVE.splitlines(keepends=True)
    del lines[position]

    ledger = ledgers.parse(b"".join(lines))

    # The last line is missed by whoever holds the newest manifest: nothing follows it here.
    assert bool(ledger.faults) == (position < 4)


@pytest.mark.parametrize(("one", "other"), [(0, 1), (1, 3), (3, 4)])
def test_s32_lines_that_were_exchanged_show(one: int, other: int) -> None:
    lines = FIVE.splitlines(keepends=True)
    lines[one], lines[other] = lines[other], lines[one]

    assert ledgers.parse(b"".join(lines)).faults


def test_one_flipped_bit_anywhere_shows() -> None:
    for position in range(0, len(FIVE) - 1, 7):
        bent = bytearray(FIVE)
        bent[position] ^= 1

        assert ledgers.parse(bytes(bent)).faults, f"byte {position}"


def test_a_cut_off_last_line_is_told_apart_from_a_broken_chain() -> None:
    for length in range(len(FIVE)):
        ledger = ledgers.parse(FIVE[:length])

        assert ledger.faults == ()
        assert ledger.torn == (not FIVE[:length].endswith(b"\n") and length > 0)


def test_what_was_cut_off_is_taken_away_by_the_next_writer(tmp_path: Path) -> None:
    path = tmp_path / "ledger.jsonl"
    path.write_bytes(FIVE[:-10])
    file, disk = LedgerFile(path), StoreDisk()

    with file.held_for_writing(disk) as ledger:
        file.append(ledger, [sealed(5)], at=AT, disk=disk)

    assert path.read_bytes() == FIVE


def test_a_broken_chain_stops_whoever_builds_on_it(tmp_path: Path) -> None:
    broken = ledgers.parse(FIVE.replace(b'"seq":2', b'"seq":7'))

    with pytest.raises(SecurityError, match="line 2: its checksum is wrong"):
        broken.check_sound(tmp_path)


def accepted(data: bytes) -> bytes:
    """Have an owner accept what is wrong with a ledger."""
    ledger = ledgers.parse(data)
    event = AcceptedEvent(reason="a worn-out disk", breaks=tuple(ledger.breaks.values()))
    return data + ledgers.next_lines(ledger, [event], at=AT)


@pytest.mark.parametrize("broken", [None, 0, 2, 4])
@pytest.mark.parametrize("way", ["flip", "cut", "twice", "rubbish"])
def test_what_breaks_after_the_owner_accepted_the_rest_is_told_wherever_it_is(
    broken: int | None, way: str
) -> None:
    lines = FIVE.splitlines(keepends=True)
    if broken is not None:
        lines[broken] = lines[broken].replace(b'"grade":"live"', b'"grade":"lives"')
    data = accepted(b"".join(lines))
    data += ledgers.next_lines(ledgers.parse(data), [sealed(6)], at=AT)
    assert ledgers.parse(data).open_faults == ()
    whole = data.splitlines(keepends=True)

    for number in range(len(whole) - 1):  # nothing vouches for the last line but itself
        line = whole[number]
        instead = {
            "flip": line.replace(b'"at":"2026', b'"at":"2025'),
            "cut": b"",
            "twice": line * 2,
            "rubbish": b"rubbish\n",
        }[way]
        found = ledgers.parse(b"".join([*whole[:number], instead, *whole[number + 1 :]]))
        assert found.open_faults, number


def test_the_owner_can_accept_what_is_broken_and_go_on(tmp_path: Path) -> None:
    data = accepted(FIVE.replace(b'"seq":2', b'"seq":7'))
    data += ledgers.next_lines(ledgers.parse(data), [sealed(6)], at=AT)

    ledger = ledgers.parse(data)

    assert ledger.faults
    ledger.check_sound(tmp_path)
    again = ledgers.parse(data.replace(b'"number":6', b'"number":8'))
    with pytest.raises(SecurityError):
        again.check_sound(tmp_path)


def test_marks_are_those_of_the_last_word() -> None:
    one, two = sealed(1), sealed(2)
    ledger = ledgers.parse(
        written(
            one,
            two,
            PinnedEvent(capture=one.brief.name),
            PinnedEvent(capture=two.brief.name),
            UnpinnedEvent(capture=one.brief.name),
            VerifiedEvent(captures=dict.fromkeys((one.brief.name, two.brief.name), READ)),
            BootedEvent(capture=two.brief.name),
            ThinnedEvent(captures=(one.brief.name,)),
        )
    )

    assert ledger.pinned == {two.brief.name}
    assert ledger.thinned == {one.brief.name}
    assert ledger.verified_at == {one.brief.name: READ, two.brief.name: READ}
    assert ledger.booted_at == {two.brief.name: AT}


def test_a_capture_that_was_forgotten_and_came_back_is_expected_again() -> None:
    one, two = sealed(1), sealed(2)
    gone = ForgottenEvent(captures=(one.brief.name, two.brief.name))
    back = msgspec.structs.replace(one, taken_in=True)

    assert ledgers.parse(written(one, two, gone)).forgotten == {one.brief.name, two.brief.name}
    ledger = ledgers.parse(written(one, two, gone, back))
    assert ledger.forgotten == {two.brief.name}
    # It counts by its new line, and has its old place.
    assert [event.brief.seq for event in ledger.sealed] == [1, 2]
    assert ledger.sealed_at == (4, 2)


def test_a_ledger_that_is_gone_reads_as_an_empty_one(tmp_path: Path) -> None:
    with LedgerFile(tmp_path / "ledger.jsonl").held_for_reading() as ledger:
        assert ledger.next_number == 1
        assert not (tmp_path / "ledger.jsonl").exists()


def test_a_line_of_a_version_that_knew_fewer_fields_is_as_sound_as_ever() -> None:
    # As it was written before captures could be noted as damaged: there is no `damaged_at`.
    raw = FIVE.splitlines()[0].replace(b'"damaged_at":"",', b"")
    plain = raw[: raw.rindex(b'"check":')] + b'"check":""}'
    older = plain[:-3] + b'"%b"}\n' % hashlib.sha256(plain).hexdigest()[:16].encode()

    assert b"damaged_at" in FIVE
    assert b"damaged_at" not in older
    assert ledgers.parse(older).faults == ()


@pytest.mark.parametrize("kind", [DamagedEvent, UnreadEvent])
def test_damage_and_what_is_unread_are_known_since_first_found_and_until_all_is_read_and_right(
    kind: type[DamagedEvent | UnreadEvent],
) -> None:
    def known(data: bytes) -> dict[str, str]:
        ledger = ledgers.parse(data)
        return ledger.damaged_at if kind is DamagedEvent else ledger.unread_at

    name, other = sealed(1).brief.name, sealed(2).brief.name
    found = kind(captures=(name, other))
    first = ledgers.next_lines(ledgers.parse(b""), [sealed(1), sealed(2), found], at=AT)
    again = first + ledgers.next_lines(ledgers.parse(first), [found], at="2026-11-27T02:15:03Z")
    mended = again + ledgers.next_lines(
        ledgers.parse(again), [VerifiedEvent(captures={other: READ})], at="2026-11-28T02:15:03Z"
    )

    assert known(again) == {name: AT, other: AT}
    assert known(mended) == {name: AT}


def test_an_accept_line_that_is_broken_itself_leaves_its_own_fault_open() -> None:
    data = written(sealed(1), AcceptedEvent(reason="moved here by hand"))

    ledger = ledgers.parse(data.replace(b"by hand", b"by mind"))

    assert ledger.accepted_at == 0  # nothing that such a line says is relied on
    assert ledger.open_faults == ((2, "its checksum is wrong"),)


def test_a_line_that_cannot_be_read_counts_as_the_line_that_was_due() -> None:
    lines = FIVE.splitlines(keepends=True)
    lines[2] = b"garbage\n"

    ledger = ledgers.parse(b"".join(lines))

    (first, why), (second, broken) = ledger.faults
    assert (first, second) == (3, 4)
    assert why.startswith("it cannot be read")
    assert broken == "it does not follow from the line before it"
    assert ledgers.parse(b"".join([*lines[:2], b"garbage\n"])).next_number == 4


def test_whoever_writes_is_alone(tmp_path: Path) -> None:
    file = LedgerFile(tmp_path / "ledger.jsonl")
    file.path.write_bytes(FIVE)

    with (
        file.held_for_writing(StoreDisk()),
        file.path.open("rb") as other,
        pytest.raises(BlockingIOError),
    ):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)


@pytest.mark.parametrize("old", [b'"seq":2', b'"manifest":"0', b'"index":"i"', b'"name":"000002'])
def test_a_line_whose_checksum_is_wrong_says_nothing(old: bytes) -> None:
    assert FIVE.count(old) >= 1
    lines = FIVE.splitlines(keepends=True)
    lines[1] = lines[1].replace(old, old[:-1] + b"7")

    ledger = ledgers.parse(accepted(b"".join(lines)))

    assert [event.brief.seq for event in ledger.sealed] == [1, 3, 4, 5]
    assert ledger.open_faults == ()


def test_lines_that_are_there_twice_count_once_and_keep_no_new_one_out() -> None:
    data = accepted(FIVE + b"".join(FIVE.splitlines(keepends=True)[:3]))
    for number in (6, 7, 8):
        data += ledgers.next_lines(ledgers.parse(data), [sealed(number)], at=AT)

    ledger = ledgers.parse(data)

    assert [event.brief.seq for event in ledger.sealed] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert ledger.open_faults == ()


# What becomes of the line: altered in place, or unreadable. The one after it does not follow then.
@pytest.mark.parametrize("way", ["altered", "unreadable"])
@pytest.mark.parametrize("position", [1, 3, 5])
def test_a_bad_line_counts_as_the_one_that_was_due_and_breaks_nothing_but_its_successor(
    way: str, position: int
) -> None:
    lines = FIVE.splitlines(keepends=True)
    old = lines[position - 1]
    lines[position - 1] = (
        old.replace(b'"grade":"live"', b'"grade":"lame"') if way == "altered" else b"garbage\n"
    )
    assert lines[position - 1] != old

    ledger = ledgers.parse(b"".join(lines))

    assert [line for line, _ in ledger.faults] == [position, position + 1][: 6 - position]
    assert [why for _, why in ledger.faults[1:]] == [
        "it does not follow from the line before it" for _ in ledger.faults[1:]
    ]
    assert ledger.next_number == 6
    assert [seq.brief.seq for seq in ledger.sealed] == sorted({1, 2, 3, 4, 5} - {position})
    assert ledger.positions == ledger.sealed_at == tuple(sorted({1, 2, 3, 4, 5} - {position}))
    assert ledger.breaks.keys() == {line for line, _ in ledger.faults}


def test_a_line_of_another_number_than_is_due_is_told_with_both() -> None:
    skipped = ledgers.Line(
        number=9, before=ledgers.parse(FIVE).last_hash, at=AT, entry=sealed(6)
    ).encoded()

    ledger = ledgers.parse(FIVE + skipped)

    assert ledger.faults == ((6, "number 9 where 6 is due"),)
    assert ledger.next_number == 10
    assert ledger.sealed[-1].brief.seq == 6  # what it says is known to be whole


def test_where_the_owner_accepted_last_is_known_by_its_place(tmp_path: Path) -> None:
    broken = FIVE.replace(b'"seq":2', b'"seq":7')

    once = ledgers.parse(accepted(broken))
    twice = ledgers.parse(accepted(accepted(broken)))

    assert (ledgers.parse(FIVE).accepted_at, once.accepted_at, twice.accepted_at) == (0, 6, 7)
    once.check_sound(tmp_path)


def test_of_many_faults_the_first_five_are_told(tmp_path: Path) -> None:
    lines = [line.replace(b'"index":"i"', b'"index":"j"') for line in FIVE.splitlines()]
    broken = ledgers.parse(b"\n".join([*lines, b"garbage", b""]))

    with pytest.raises(SecurityError) as said:
        broken.check_sound(tmp_path)

    assert len(broken.open_faults) > 5
    assert str(said.value).count("line ") == 5
    assert str(said.value).startswith(f"{tmp_path}: the chain is broken: line 1: its checksum")


def test_lines_that_are_appended_continue_the_file_that_is_held(tmp_path: Path) -> None:
    file, disk = LedgerFile(tmp_path / "ledger.jsonl"), StoreDisk()
    file.path.write_bytes(FIVE + b'{"cut off')
    with file.held_for_writing(disk) as ledger:
        assert (ledger.torn, ledger.next_number, ledger.sound_bytes) == (False, 6, len(FIVE))
        file.append(ledger, [sealed(6), sealed(7)], at=AT, disk=disk)

    with file.held_for_reading() as ledger:
        assert ledger.faults == ()
        assert ledger.next_number == 8
        assert ledger.sealed_at == (1, 2, 3, 4, 5, 6, 7)
        assert ledger.last_sealed == sealed(7)
        with file.path.open("rb") as other, pytest.raises(BlockingIOError):
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with file.path.open("rb") as reader:
            fcntl.flock(reader, fcntl.LOCK_SH | fcntl.LOCK_NB)  # any number may read


def test_the_last_sealed_is_the_one_of_the_highest_number() -> None:
    back = msgspec.structs.replace(sealed(1), taken_in=True)

    assert ledgers.parse(written(sealed(1), sealed(2), back)).last_sealed == sealed(2)
    assert ledgers.parse(written(sealed(2), sealed(1))).sealed == (sealed(2), sealed(1))
    assert ledgers.parse(written(sealed(2), sealed(1))).last_sealed == sealed(2)


def test_a_mark_is_made_of_a_line_and_all_before_it() -> None:
    """It is kept in the ledger by who accepts a break, so later versions have to find it, too."""
    broken = FIVE.replace(b'"seq":2', b'"seq":7')
    hashes = [hashlib.sha256(line).hexdigest() for line in broken.splitlines(keepends=True)]

    assert ledgers.parse(broken).breaks == {
        number: hashlib.sha256("".join(hashes[:number]).encode()).hexdigest()[:16]
        for number in (2, 3)
    }


def test_what_was_taken_in_after_newer_ones_has_its_place_before_them() -> None:
    """The ledger had lost its line: it stands behind those of newer captures."""
    back = msgspec.structs.replace(sealed(1), taken_in=True)

    ledger = ledgers.parse(written(sealed(2), sealed(3), back))

    assert ledger.sealed == (back, sealed(2), sealed(3))
    assert ledger.sealed_at == (3, 1, 2)
