"""What a timer does each quarter of an hour, and what it does once a day."""

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from holdstill.model.settings import Retention
from holdstill.offsite import run_notes
from support import seaweed
from support.offsite import CopiedStore

pytestmark = pytest.mark.timeout(300)
ALL = Retention(days=1000, at_least=100)


@pytest.fixture
def held(tmp_path: Path) -> Iterator[CopiedStore]:
    with seaweed.running() as server:
        made = CopiedStore(tmp_path, server.address(), lock_days=3)
        made.held.enrol("pier-3")
        made.capture("pier-3", {b"first": os.urandom(3000)})
        made.upload(rule=ALL)
        yield made


def noted_at(held: CopiedStore, before: timedelta) -> None:
    """Note that a run has looked at all so long ago."""
    moment = (datetime.now(UTC) - before).strftime("%Y-%m-%dT%H:%M:%SZ")
    run_notes.change(held.root, datetime.now(UTC), kept_at=moment)


def test_locks_are_looked_at_once_a_day_and_captures_are_sent_each_time(
    held: CopiedStore,
) -> None:
    held.make_locks_due()
    newest = held.capture("pier-3", {b"second": os.urandom(3000)})

    soon = held.upload(rule=ALL, is_in_turn=True)

    assert soon.sent.captures == [f"pier-3/{newest}"]
    assert soon.extended == 0
    noted_at(held, timedelta(hours=22))
    assert held.upload(rule=ALL, is_in_turn=True).extended == 0
    noted_at(held, timedelta(hours=24))
    assert held.upload(rule=ALL, is_in_turn=True).extended == 2
    held.make_locks_due()
    assert held.upload(rule=ALL, is_in_turn=True).extended == 0


@pytest.mark.parametrize(
    "trouble", [{"failed": "no network"}, {"left": ("one",)}, {"findings": ("a pack",)}],
    ids=lambda one: next(iter(one)),
)  # fmt: skip
def test_after_any_trouble_all_is_looked_at(held: CopiedStore, trouble: dict[str, object]) -> None:
    held.make_locks_due()
    run_notes.change(held.root, datetime.now(UTC), **trouble)

    assert held.upload(rule=ALL, is_in_turn=True).extended == 2


def test_a_clock_that_was_ahead_puts_nothing_off(held: CopiedStore) -> None:
    held.make_locks_due()
    noted_at(held, -timedelta(days=400))

    assert held.upload(rule=ALL, is_in_turn=True).extended == 2


def test_a_person_who_runs_it_has_all_done(held: CopiedStore) -> None:
    held.make_locks_due()

    assert held.upload(rule=ALL).extended == 2
