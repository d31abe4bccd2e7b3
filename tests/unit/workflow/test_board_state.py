import sqlite3
from pathlib import Path

import pytest

from holdstill.errors import BusyError, VerificationError
from holdstill.model.entries import Entry, EntryType
from holdstill.model.protocol import RunStarted
from holdstill.workflow import board_state
from holdstill.workflow.board_state import LastCapture

ROOT = Entry(b"", b"", EntryType.DIRECTORY, 0o755)


def test_only_one_run_at_a_time_holds_the_memory(tmp_path: Path) -> None:
    with board_state.opened(tmp_path), pytest.raises(BusyError, match="another run"):
        board_state.opened(tmp_path).__enter__()


def test_what_is_remembered_is_there_next_time(tmp_path: Path) -> None:
    with board_state.opened(tmp_path) as kept:
        kept.save(LastCapture(board="pier-3", seq=4, manifest="ab"), b"")
        kept.save_baseline(2, b"look")

    with board_state.opened(tmp_path) as kept:
        assert (kept.last.seq, kept.last.manifest) == (4, "ab")
        assert kept.baseline(2) == b"look"
        assert kept.baseline(3) == b""


def test_the_rate_of_a_pause_is_kept_without_a_sealed_capture(tmp_path: Path) -> None:
    with board_state.opened(tmp_path) as kept:
        assert kept.copy_rate == 0.0
        kept.save_copy_rate(41.5e6)

    with board_state.opened(tmp_path) as kept:
        assert kept.copy_rate == 41.5e6
    assert board_state.sealed_at(tmp_path) is None


@pytest.mark.parametrize("damage", [b"", b"{", b"-1.0", b"null", b"\xff"])
def test_a_damaged_rate_is_one_that_was_not_measured(tmp_path: Path, damage: bytes) -> None:
    (tmp_path / "copy-rate.json").write_bytes(damage)

    with board_state.opened(tmp_path) as kept:
        assert kept.copy_rate == 0.0


@pytest.mark.parametrize("damage", [b"", b"{", b'{"seq": "four"}', b"\xff"])
def test_a_damaged_memory_is_an_empty_one(tmp_path: Path, damage: bytes) -> None:
    (tmp_path / "last.json").write_bytes(damage)

    with board_state.opened(tmp_path) as kept:
        assert kept.last == LastCapture()


def test_a_new_index_forgets_the_baselines_that_belonged_to_the_old_one(tmp_path: Path) -> None:
    with board_state.opened(tmp_path) as kept:
        with kept.index() as index:
            index.put(2, ROOT, seq=1)
        kept.save_baseline(2, b"look")
        kept.index_path.unlink()

        with kept.index() as index:
            assert index.parts() == []
        assert kept.baseline(2) == b""


def test_an_index_of_a_strange_kind_is_made_anew(tmp_path: Path) -> None:
    with board_state.opened(tmp_path) as kept:
        with sqlite3.connect(kept.index_path) as db:
            db.execute("CREATE TABLE other (x)")
        db.close()

        with kept.index() as index:
            index.put(2, ROOT, seq=1)
            assert index.parts() == [2]


def test_an_index_that_turns_out_damaged_is_thrown_away_with_a_word_on_what_to_do(
    tmp_path: Path,
) -> None:
    with board_state.opened(tmp_path) as kept:
        with kept.index() as index:
            index.put_all(2, (ROOT._replace(name=b"%d" % n) for n in range(5000)), seq=1)
        spoil(kept.index_path)

        with (
            pytest.raises(VerificationError, match="was damaged") as caught,
            kept.index() as index,
        ):
            list(index.entries(2))

        assert "run the capture again" in caught.value.hint
        assert not kept.index_path.exists()


def spoil(path: Path) -> None:
    with path.open("r+b") as file:
        for page in range(3, 30):
            file.seek(page * 4096)
            file.write(b"\xa5" * 4096)


@pytest.mark.parametrize(
    ("board", "keeper", "known"),
    [
        ("pier-3", "/k", 42),
        ("pier-3", "/another", 0),  # moved to another keeper
        ("pier-4", "/k", 0),  # enrolled by another name
    ],
)
def test_what_is_known_to_be_sealed_is_of_this_board_at_this_keeper(
    tmp_path: Path, board: str, keeper: str, known: int
) -> None:
    begun = RunStarted(run="r", seq=43, previous="ab", folders=())
    with board_state.opened(tmp_path) as kept:
        assert kept.last_known(board, keeper, begun) == 0
        kept.save(LastCapture(board="pier-3", keeper="/k", seq=42, manifest="ab"), b"")

        assert kept.last_known(board, keeper, begun) == known


def test_one_whose_seal_nobody_heard_of_is_known_when_the_keeper_builds_on_it(
    tmp_path: Path,
) -> None:
    with board_state.opened(tmp_path) as kept:
        kept.save(LastCapture(board="pier-3", keeper="/k", seq=42, manifest="ab"), b"")
        kept.save_asked("cd")

        known = [
            kept.last_known("pier-3", "/k", RunStarted(run="r", seq=44, previous=p, folders=()))
            for p in ("cd", "ef", "")
        ]

    assert known == [43, 42, 42]
    assert board_state.sealed_at(tmp_path) is not None
    assert any(Path(board_state.ASKED).match(pattern) for pattern in board_state.OURS)


def test_the_word_for_the_keeper_is_made_up_once_and_is_this_machines_own(tmp_path: Path) -> None:
    words = []
    for name in ("one", "one", "other"):
        with board_state.opened(tmp_path / name) as state:
            words.append(state.word())

    assert words[0] == words[1] != words[2]
    assert len(words[0]) == 32
    assert (tmp_path / "one/word").stat().st_mode & 0o077 == 0
