"""What a board's key was refused: one line each, and never more than two files of them."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError, UsageError
from holdstill.keeper import refused_commands
from support.keeping import PIER_3, FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store


@pytest.fixture
def path(store: Store) -> Path:
    return store.board_folder(PIER_3) / "refusals.jsonl"


def test_a_refusal_is_a_line_with_its_moment_and_harmless_letters(
    store: Store, path: Path, clock: FakeClock
) -> None:
    refused_commands.note(store, store.board_folder(PIER_3), "sh -c id", clock=clock)
    refused_commands.note(
        store, store.board_folder(PIER_3), "\x1b[2J\n" + "\u00e9" * 2000, clock=clock
    )

    # RFC 8259, 7: what is below U+0020 is escaped; the rest is ASCII by our choice.
    assert all(0x20 <= letter < 0x7F for letter in path.read_bytes().replace(b"\n", b""))
    first, second = [json.loads(line) for line in path.read_bytes().splitlines()]
    assert first == {"at": "2026-11-25T02:15:03Z", "refused": "sh -c id"}
    assert second["refused"] == ("\x1b[2J\n" + "\u00e9" * 2000)[:1000]


@pytest.mark.parametrize(("size", "is_put_aside"), [(256 << 10, False), ((256 << 10) + 1, True)])
def test_what_is_too_large_is_put_aside_and_the_one_before_is_dropped(
    store: Store, path: Path, clock: FakeClock, size: int, *, is_put_aside: bool
) -> None:
    aside = path.with_name("refusals.1.jsonl")
    aside.write_bytes(b"old")
    path.write_bytes(b"x" * size)

    refused_commands.note(store, store.board_folder(PIER_3), "id", clock=clock)

    assert aside.stat().st_size == (size if is_put_aside else 3)
    assert path.stat().st_size < 100 if is_put_aside else path.stat().st_size > size


def test_a_refusal_that_cannot_be_noted_stays_one(
    store: Store, path: Path, clock: FakeClock
) -> None:
    path.mkdir()

    refused_commands.note(store, store.board_folder(PIER_3), "id", clock=clock)

    assert list(path.iterdir()) == []


def test_what_a_block_refuses_as_unsafe_is_noted_and_stays_refused(
    store: Store, path: Path, clock: FakeClock
) -> None:
    with (
        pytest.raises(SecurityError, match="leads out"),
        refused_commands.noted(store, store.board_folder(PIER_3), "x" * 301, clock=clock),
    ):
        raise SecurityError("it leads out of the store")

    (line,) = path.read_bytes().splitlines()
    said = f"it leads out of the store (asked: {'x' * 300!r})"
    assert json.loads(line) == {"at": "2026-11-25T02:15:03Z", "refused": said}


def test_what_fails_for_another_reason_is_no_refusal(
    store: Store, path: Path, clock: FakeClock
) -> None:
    with (
        pytest.raises(UsageError),
        refused_commands.noted(store, store.board_folder(PIER_3), "x", clock=clock),
    ):
        raise UsageError("no such folder")

    assert not path.exists()
