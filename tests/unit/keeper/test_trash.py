"""Contents that no capture needs rest before they are deleted."""

from __future__ import annotations

import dataclasses
import hashlib
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import store as stores
from holdstill.keeper import trash
from holdstill.model import names
from support import keeping
from support.keeping import QuickDisk

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import Digest
    from support.keeping import FakeClock

BODY = b"1.42 m"


def digest(body: bytes) -> Digest:
    return names.check_digest(hashlib.sha256(body).hexdigest())


DIGEST = digest(BODY)
GRACE = timedelta(days=3)


def put(store: Store, clock: FakeClock, body: bytes = BODY) -> Path:
    path = trash.new_place(store, clock.now()) / hashlib.sha256(body).hexdigest()
    path.write_bytes(body)
    return path


def test_what_has_rested_long_enough_is_deleted(store: Store, clock: FakeClock) -> None:
    old = put(store, clock)
    clock.advance(2 * 86_400)
    young = put(store, clock, b"1.43 m")
    clock.advance(86_400)

    given_back, early = trash.empty(store, clock.now(), grace=GRACE, min_free=0)

    assert (old.exists(), young.exists(), early) == (False, True, 0)
    assert given_back == 4096
    assert trash.size(store) == 4096


def test_what_is_wanted_again_is_taken_back(store: Store, clock: FakeClock) -> None:
    put(store, clock)

    assert trash.take_back(store, DIGEST)
    assert store.contents.path(DIGEST).read_bytes() == BODY
    assert not trash.take_back(store, DIGEST)


def test_little_space_shortens_the_rest_of_the_oldest(store: Store, clock: FakeClock) -> None:
    old = put(store, clock)
    clock.advance(60)
    put(store, clock, b"1.43 m")

    given_back, early = trash.empty(store, clock.now(), grace=GRACE, min_free=1 << 62)

    assert not old.exists()
    assert given_back == early == 2 * 4096


def test_a_date_from_the_future_counts_from_now_on(store: Store, clock: FakeClock) -> None:
    """A keeper whose clock was wrong for a day must neither keep for ever nor delete at once."""
    clock.advance(10 * 365 * 86_400)
    put(store, clock)
    clock.advance(-10 * 365 * 86_400)

    trash.empty(store, clock.now(), grace=GRACE, min_free=0)
    (place,) = trash.resting(store)
    assert place.since == clock.now()
    for days in (1, 2):
        clock.advance(days * 86_400)
        trash.empty(store, clock.now(), grace=GRACE, min_free=0)

    assert trash.resting(store) == ()


@pytest.mark.parametrize("years", [1, 40])
def test_a_clock_that_leaps_ahead_does_not_cut_the_rest_short(
    store: Store, clock: FakeClock, years: int
) -> None:
    """Of a leap, two days count; what is put there later is not mixed up with it."""
    trash.empty(store, clock.now(), grace=GRACE, min_free=0)
    put(store, clock)
    clock.advance(60)
    put(store, clock, b"1.43 m")
    clock.advance(years * 365 * 86_400)

    given_back = [trash.empty(store, clock.now(), grace=GRACE, min_free=0)[0]]
    assert [trash.take_back(store, d) for d in (DIGEST, digest(b"1.43 m"))] == [True, True]
    put(store, clock)
    for _ in range(3):
        clock.advance(86_400)
        given_back.append(trash.empty(store, clock.now(), grace=GRACE, min_free=0)[0])

    assert given_back == [0, 0, 0, 4096]


class Cut(QuickDisk):
    """A disk whose process is killed at the n-th change."""

    left = 0

    def _change(self) -> None:
        Cut.left -= 1
        if Cut.left < 0:
            raise KeyboardInterrupt

    def rename(self, source: Path, target: Path) -> None:
        self._change()
        super().rename(source, target)

    def create(self, path: Path, content: bytes, *, mode: int = 0o600) -> None:
        self._change()
        super().create(path, content, mode=mode)


def put_before_a_week_without_a_look(store: Store, clock: FakeClock) -> list[bytes]:
    """Put six contents into the trash, an hour apart; return them."""
    trash.empty(store, clock.now(), grace=GRACE, min_free=0)
    bodies = [b"%d m" % number for number in range(6)]
    for body in bodies:
        put(store, clock, body)
        clock.advance(3600)
    clock.advance(7 * 86_400)
    return bodies


@pytest.mark.parametrize("changes", range(8))
def test_a_look_that_is_cut_off_after_a_leap_does_not_cut_the_rest_short(
    store: Store, clock: FakeClock, changes: int
) -> None:
    bodies = put_before_a_week_without_a_look(store, clock)

    Cut.left = changes
    with suppress(KeyboardInterrupt):
        trash.empty(dataclasses.replace(store, disk=Cut()), clock.now(), grace=GRACE, min_free=0)
    clock.advance(60)
    trash.empty(store, clock.now(), grace=GRACE, min_free=0)

    assert [trash.take_back(store, digest(body)) for body in bodies] == [True] * 6


def test_two_looks_at_once_after_a_leap_do_not_cut_the_rest_short(
    store: Store, clock: FakeClock
) -> None:
    for _ in range(20):
        bodies = put_before_a_week_without_a_look(store, clock)

        with ThreadPoolExecutor(2) as both:
            looks = [
                both.submit(trash.empty, store, clock.now(), grace=GRACE, min_free=0)
                for _ in range(2)
            ]
            assert [look.result() for look in looks] == [(0, 0)] * 2

        assert [trash.take_back(store, digest(body)) for body in bodies] == [True] * 6
        for body in bodies:
            store.contents.path(digest(body)).unlink()


def test_the_last_look_is_kept_and_no_other(store: Store, clock: FakeClock) -> None:
    for days in (0, 1, -2, 0):
        clock.advance(days * 86_400)
        trash.empty(store, clock.now(), grace=GRACE, min_free=0)

    assert [path.name for path in store.trash.iterdir()] == [
        f"looked-{clock.now():%Y%m%dT%H%M%SZ}"
    ]
    assert list(trash.others(store)) == []


@dataclass
class Meddling(keeping.QuickDisk):
    """A disk at which something else happens at one moment, once."""

    at: str = ""
    deed: Callable[[], object] = bool

    def meddle(self, what: str) -> None:
        if what == self.at:
            self.at = ""
            self.deed()

    def rename_new(self, source: Path, target: Path) -> None:
        self.meddle("taking back")
        super().rename_new(source, target)

    def remove_tree(self, folder: Path) -> None:
        self.meddle("deleting")
        super().remove_tree(folder)


def test_a_content_whose_time_comes_while_it_is_taken_back_is_asked_for_again(
    tmp_path: Path, clock: FakeClock
) -> None:
    disk = Meddling()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock, disk=disk)
    put(store, clock)
    disk.at = "taking back"
    disk.deed = lambda: trash.empty(store, clock.now(), grace=timedelta(0), min_free=0)

    assert not trash.take_back(store, DIGEST)

    assert not store.contents.has(DIGEST)
    assert (list(trash.others(store)), trash.resting(store)) == ([], ())


def test_what_is_being_deleted_is_not_taken_back_and_the_deletion_goes_on(
    tmp_path: Path, clock: FakeClock
) -> None:
    disk, answers = Meddling(), list[bool]()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock, disk=disk)
    put(store, clock)
    disk.at = "deleting"
    disk.deed = lambda: answers.append(trash.take_back(store, DIGEST))

    given_back, _ = trash.empty(store, clock.now(), grace=timedelta(0), min_free=0)

    assert (answers, given_back) == ([False], 4096)
    assert (list(trash.others(store)), trash.resting(store)) == ([], ())


def test_what_was_discarded_is_never_taken_back_however_its_folder_was_called(
    store: Store,
) -> None:
    """A board's folder of unchecked bytes is called contents-0."""
    digest = names.check_digest(hashlib.sha256(b"never hashed").hexdigest())
    for name in ("contents-0.0123456789abcdef", "discarded-0123456789abcdef"):
        (store.trash / name).mkdir()
        (store.trash / name / digest).write_bytes(b"something else")

    assert not trash.take_back(store, digest)
    assert not store.contents.has(digest)
    assert {path.name for path in trash.others(store)} == {
        "contents-0.0123456789abcdef", "discarded-0123456789abcdef",
    }  # fmt: skip


class ShortOfSpace(stores.Store):
    """A store on a disk that has so many bytes free, and as many more as are deleted in it."""

    room = 0

    def free(self) -> tuple[int, int]:
        kept = sum(path.stat().st_blocks for path in self.trash.glob("contents-*/*")) * 512
        return ShortOfSpace.room - kept, 1 << 20


# The oldest goes first, and no more than it takes to have min_free again.
@pytest.mark.parametrize(
    ("contents", "more", "gone"), [(0, -1, 0), (0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)]
)
def test_what_rests_goes_before_its_time_only_until_enough_is_free(
    store: Store, clock: FakeClock, contents: int, more: int, gone: int
) -> None:
    paths = []
    for body in (b"1.42 m", b"1.43 m", b"1.44 m"):
        paths.append(put(store, clock, body * 2000))
        clock.advance(60)
    (each,) = {path.stat().st_blocks * 512 for path in paths}
    ShortOfSpace.room = 1 << 30
    held = ShortOfSpace(store.root, store.facts, store.disk)
    min_free = held.free()[0] + contents * each + more

    given_back, early = trash.empty(held, clock.now(), grace=GRACE, min_free=min_free)

    assert given_back == early == gone * each
    assert [path.exists() for path in paths] == [False] * gone + [True] * (3 - gone)
