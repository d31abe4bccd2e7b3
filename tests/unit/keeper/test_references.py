"""Spans of contents against a model: a plain set for each capture."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.keeper import references
from holdstill.keeper.references import AccountedCapture, ContentSum
from support import keeping
from support.keeping import MEMORY, PIER_3, PIER_4, FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.keeper.references import References
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

SETS = st.frozensets(st.integers(0, 12), max_size=8)


def content(number: int) -> bytes:
    """Return a digest whose first bytes are the number: what a sum adds up."""
    return number.to_bytes(4) + bytes(28)


def add(held: References, board: BoardName, seq: int, numbers: Iterable[int]) -> ContentSum:
    found = held.load((content(number), 10 + number) for number in numbers)
    held.add(board, AccountedCapture(seq, f"{seq:06d}", f"{seq:064x}"))
    return found


def needed(held: References) -> set[int]:
    """Return the numbers of all contents that any capture needs."""
    everything = held.needed(b"", b"\xff" * 33)
    return {int.from_bytes(digest[:4]) for digest in everything}


@pytest.fixture
def store() -> Iterator[Store]:
    with tempfile.TemporaryDirectory(dir=MEMORY) as made:
        yield keeping.make_store(Path(made, "boathouse"), clock=FakeClock())


STEPS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from([PIER_3, PIER_4]), SETS),
        st.tuples(st.sampled_from([PIER_3, PIER_4]), st.integers(0, 5)),
    ),
    max_size=14,
)


@given(steps=STEPS)
@settings(max_examples=60)
def test_what_is_needed_is_what_the_captures_that_are_left_need(
    steps: list[tuple[BoardName, frozenset[int] | int]],
) -> None:
    model: dict[BoardName, dict[int, frozenset[int]]] = {PIER_3: {}, PIER_4: {}}
    head = dict.fromkeys(model, 0)
    with tempfile.TemporaryDirectory(dir=MEMORY) as made:
        store = keeping.make_store(Path(made, "boathouse"), clock=FakeClock())
        with references.opened(store) as held:
            for board, what in steps:
                if isinstance(what, int):
                    gone = sorted(model[board])[what : what + 2]
                    held.remove(board, [f"{seq:06d}" for seq in gone])
                    for seq in gone:
                        del model[board][seq]
                else:
                    head[board] += 1
                    add(held, board, head[board], what)
                    model[board][head[board]] = what

                kept = [numbers for captures in model.values() for numbers in captures.values()]
                assert needed(held) == set().union(*kept)
                for name, captures in model.items():
                    assert [c.seq for c in held.captures(name)] == sorted(captures)
                    assert held.sums(name) == {
                        seq: ContentSum(len(numbers), sum(numbers))
                        for seq, numbers in captures.items()
                    }


def test_only_what_the_newest_capture_has_not_is_looked_for(store: Store) -> None:
    with references.opened(store) as held:
        add(held, PIER_3, 1, [1, 2])
        add(held, PIER_3, 2, [2, 3])
        held.load([(content(1), 11), (content(3), 13), (content(2), 99), (content(4), 14)])

        found = set(held.not_of(PIER_3))

        # 1 was in an older capture only; 2 is said to have another size.
        assert found == {(content(1), 11), (content(2), 99), (content(4), 14)}
        assert set(held.not_of(PIER_4)) == found | {(content(3), 13)}
        assert held.needs(content(4))
        assert not held.needs(content(5))


def test_bytes_are_new_once_for_all_boards(store: Store) -> None:
    with references.opened(store) as held:
        add(held, PIER_3, 1, [1, 2])
        held.load([(content(2), 12), (content(3), 13)])

        assert held.new_bytes() == 13
        assert held.has(PIER_3, content(2))
        assert not held.has(PIER_4, content(2))


def test_a_board_that_is_forgotten_needs_nothing(store: Store) -> None:
    with references.opened(store) as held:
        add(held, PIER_3, 1, [1, 2])
        add(held, PIER_4, 1, [2, 3])

        held.remove_board(PIER_3)
        held.drop_unused()

        assert (needed(held), held.boards()) == ({2, 3}, ("pier-4",))


def test_a_transaction_that_fails_changes_nothing(store: Store) -> None:
    with references.opened(store) as held:
        add(held, PIER_3, 1, [1, 2])
        held.load([(content(5), 15)])
        with closing(sqlite3.connect(store.root / references.NAME)) as db:
            db.execute(
                "CREATE TRIGGER refuse BEFORE INSERT ON capture BEGIN SELECT RAISE(ABORT, ''); END"
            )

        with pytest.raises(sqlite3.IntegrityError):  # at the last but one step
            held.add(PIER_3, AccountedCapture(2, "000002", "0" * 64))

        assert needed(held) == {1, 2}
        assert held.sums(PIER_3) == {1: ContentSum(2, 3)}


@pytest.mark.parametrize("damage", [b"no database at all, by any means", b"SQLite format 3\0" * 9])
def test_a_damaged_file_is_told_from_one_that_cannot_be_used(store: Store, damage: bytes) -> None:
    path = store.root / references.NAME
    path.write_bytes(damage)

    with pytest.raises(references.UnsoundReferencesError), references.opened(store) as held:
        held.check()

    references.discard(store)
    path.mkdir()
    with (
        pytest.raises(references.UnsoundReferencesError, match=r"references\.sqlite is no file"),
        references.opened(store),
    ):
        pass


@contextmanager
def ordinary_user(folder: Path) -> Iterator[None]:
    """Be somebody to whom file modes apply, as access(2) asks: by the real user."""
    if os.getuid():
        yield
        return
    for each in (folder, *folder.parents[:1]):
        each.chmod(0o777)
    os.setreuid(65534, -1)
    try:
        yield
    finally:
        os.setreuid(0, -1)


@pytest.mark.parametrize("mode", [0o000, 0o200, 0o400, 0o600])
def test_one_that_may_not_be_read_and_written_is_as_good_as_damaged(
    store: Store, mode: int
) -> None:
    path = store.root / references.NAME
    with references.opened(store):
        pass
    owner = 65534 if os.getuid() == 0 else -1
    os.chown(path, owner, -1)
    path.chmod(mode)
    before = path.stat()

    with ordinary_user(store.root):
        if mode == 0o600:
            with references.opened(store) as held:
                held.check()
        else:
            with (
                pytest.raises(references.UnsoundReferencesError, match="may not be read and"),
                references.opened(store),
            ):
                pass

    assert path.stat().st_ino == before.st_ino


def test_one_that_somebody_else_takes_away_meanwhile_is_as_good_as_damaged(store: Store) -> None:
    def use() -> None:
        with references.opened(store) as held:
            add(held, PIER_3, 1, [1])
            references.discard(store)
            add(held, PIER_3, 2, [2])

    with pytest.raises(references.UnsoundReferencesError):
        use()

    with references.opened(store) as held:
        assert needed(held) == set()


def test_a_database_of_somebody_else_is_not_touched(store: Store) -> None:
    path = store.root / references.NAME
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE theirs (x)")
    db.close()
    before = path.read_bytes()

    with pytest.raises(references.UnsoundReferencesError), references.opened(store):
        pass

    assert path.read_bytes() == before


@pytest.mark.parametrize("head", [None, 1, 2])
def test_what_follows_on_nothing_that_is_counted_waits(store: Store, head: int | None) -> None:
    """While somebody counts anew, the capture before may be missing or not be the newest yet."""
    third = AccountedCapture(3, "000003", "3" * 64)
    with references.opened(store) as held:
        for seq in range(1, (head or 0) + 1):
            add(held, PIER_3, seq, [seq])
        before = held.captures(PIER_3)

        held.add_same(PIER_3, third)

        assert held.captures(PIER_3) == ((*before, third) if head == 2 else before)
        held.load([(content(3), 13)])
        held.add(PIER_3, AccountedCapture(4, "000004", "4" * 64), follows=3)
        assert (held.captures(PIER_3)[-1].seq == 4) == (head == 2) if head else True


def test_what_sqlite_itself_finds_wrong_is_damage(store: Store) -> None:
    """sqlite.org/fileformat2.html, 1.3: the number of free pages is at byte 36."""
    path = store.root / references.NAME
    with references.opened(store) as held:
        add(held, PIER_3, 1, [1, 2])
        held.check()
    head = bytearray(path.read_bytes())
    assert head[36:40] == bytes(4)
    head[39] = 5
    path.write_bytes(head)

    with pytest.raises(references.UnsoundReferencesError, match=r"(?i)freelist"):  # noqa: SIM117
        with references.opened(store) as held:
            held.check()
