"""S04: what a board costs is counted, whatever it does; a board cannot fill the disk."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import stat
from contextlib import nullcontext
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import PreflightError, SecurityError
from holdstill.keeper import enrolment, incoming, ingest, open_run, take_in
from holdstill.keeper import store as stores
from holdstill.keeper.account import DAYS_MOST, Account, Allowance, Balance, Rules, Spent
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.local import ACCOUNTING
from holdstill.keeper.receiving import LOOK_EVERY, LOOK_SOONEST, ArrivalMonitor
from holdstill.model import pieces
from holdstill.model.protocol import BATCH, FOLDERS, WantedContent
from holdstill.model.settings import (
    BoardLimits,
    KeeperSettings,
    OwnLimits,
    decode_keeper_settings,
)
from holdstill.model.sizes import KIB, MIB, ByteSize
from holdstill.records import capture_contents, manifest_file
from support import descriptors, keeping
from support.keeping import KEY, PIER_3, PIER_4, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from holdstill.keeper.incoming import Staging
    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store

DAY = 86_400.0
NUMBERS = st.builds(
    Spent,
    bytes=st.integers(0, 1 << 50),
    inodes=st.integers(0, 1 << 30),
    hashed=st.integers(0, 1 << 50),
)


def account_of(store: Store, clock: FakeClock, *, limits: BoardLimits | None = None) -> Account:
    rules = keeping.no_limits(store.root, limits=limits)
    return Account(store, enrolment.read(store, PIER_3), rules, clock=clock)


def limited(store: Store, clock: FakeClock, **limits: int) -> LocalKeeper:
    """Return a keeper of pier-3 under these limits of bytes and inodes."""
    own = BoardLimits(**{key: ByteSize(value) for key, value in limits.items()})
    return keeping.keeper_of(
        store, clock=clock, settings=keeping.no_limits(store.root, limits=own)
    )


def wanted(content: bytes, *, size: int | None = None, basis: str = "") -> WantedContent:
    said = len(content) if size is None else size
    return WantedContent(digest=hashlib.sha256(content).hexdigest(), size=said, basis=basis)


def staging_of(store: Store) -> Staging:
    staging = incoming.current(store, PIER_3)
    assert staging is not None
    return staging


# --- pure ----------------------------------------------------------------------------------------


@given(NUMBERS, st.lists(NUMBERS, min_size=1))
def test_looks_at_a_staging_charge_every_growth_and_give_nothing_back(
    begun: Spent, looks: list[Spent]
) -> None:
    other = Spent(bytes=1, inodes=1)
    others = (other,) * (FOLDERS - 2)
    balance = Balance(staged=(other, begun, *others))

    for staged in looks:
        after = balance.looked(1, staged)
        for kind in ("bytes", "inodes", "hashed"):
            grown = max(0, getattr(staged, kind) - getattr(balance.staged[1], kind))
            assert getattr(after.today, kind) == getattr(balance.today, kind) + grown
            assert getattr(after.run, kind) == getattr(balance.run, kind) + grown
        balance = after

    assert balance.staged == (other, looks[-1], *others)


@pytest.mark.parametrize(
    ("days", "spent"),
    [
        (["2026-11-25"], 5),
        (["2026-11-24"], 5),  # back
        (["2026-11-24", "2026-11-24"], 5),
        (["2026-11-26"], 0),
        (["2026-12-01"], 0),
        (["2026-11-24", "2026-11-25"], 5),  # back and forth
        (["2026-11-23", "2026-11-24", "2026-11-25"], 5),
        (["1970-01-01", "2026-11-25"], 5),  # a keeper without a battery, started again
        (["2026-11-24", "2026-11-25", "2026-11-26"], 0),
        (["2099-01-01", "2026-11-26", "2026-11-27"], 0),  # a clock that was wrong once
    ],
)
def test_a_later_day_begins_with_nothing_and_a_clock_that_jumps_back_gives_nothing(
    days: list[str], spent: int
) -> None:
    balance = Balance().on(date(2026, 11, 25)).charged(Spent(bytes=5))

    for day in days:
        balance = balance.on(date.fromisoformat(day))

    assert balance.today.bytes == spent
    assert balance.run.bytes == 5
    assert balance.day == date.fromisoformat(days[-1])


def test_a_clock_that_was_ahead_takes_nothing_from_the_days_that_come_and_gives_none_twice() -> (
    None
):
    balance, spent = Balance(), []

    for day in (25, 27, 25, 26, 27, 28, 27, 29, 28):
        balance = balance.on(date(2026, 11, day)).charged(Spent(bytes=1))
        spent.append(balance.today.bytes)

    assert spent == [1, 1, 2, 1, 2, 1, 3, 1, 2]


def test_a_clock_that_goes_back_before_all_days_that_are_remembered_gives_nothing() -> None:
    balance = Balance()
    for day in range(1, 28):
        balance = balance.on(date(2026, 11, day)).charged(Spent(bytes=day))

    back = balance.on(date(1970, 1, 1)).on(date(2026, 11, 27))

    assert (back.today.bytes, back.on(date(2026, 11, 26)).today.bytes) == (27, 26)


@given(st.lists(st.dates(date(2020, 1, 1), date(2020, 3, 1)), max_size=60))
def test_so_many_days_are_remembered_and_no_more(days: list[date]) -> None:
    balance = Balance()

    for day in days:
        balance = balance.on(day).charged(Spent(bytes=1))

    assert len(balance.days) <= DAYS_MOST
    assert msgspec.json.decode(msgspec.json.encode(balance), type=Balance) == balance


@given(st.integers(0, 1 << 40), st.integers(0, 1 << 40))
def test_h19_a_board_within_its_daily_share_leaves_as_much_as_it_took(
    free: int, used: int
) -> None:
    settings = KeeperSettings(store=Path("/srv"), min_free=ByteSize(0))
    rules = Rules(settings, settings.limits)
    balance = Balance(days={date.min: Spent(bytes=used)})

    share = next(
        allowance
        for allowance in rules.allowances(balance, Spent(bytes=free))
        if (allowance.key, allowance.kind) == ("daily_share", "bytes")
    )

    assert (share.left >= 0) is (used <= free)


def test_h23_the_defaults_keep_min_free_and_half_of_the_rest() -> None:
    settings = KeeperSettings(store=Path("/srv"))
    rules = Rules(settings, settings.limits)
    free = Spent(bytes=1256 * MIB, inodes=30_000)

    left = [(a.key, a.kind, a.left) for a in rules.allowances(Balance(), free)]

    assert left == [
        ("min_free", "bytes", 936 * MIB),
        ("min_free_inodes", "inodes", 20_000),
        ("daily_share", "bytes", 500 * MIB),
        ("daily_share", "inodes", 10_000),
        ("hashed_per_day", "hashed", 1 << 40),
    ]


def test_a_boards_own_limits_go_before_those_of_all_boards(store: Store, clock: FakeClock) -> None:
    own = OwnLimits(bytes_per_day=ByteSize(7))
    enrolment.enrol(store, PIER_3, KEY, clock=clock, limits=own)
    enrolment.enrol(store, PIER_4, keeping.OTHER_KEY, clock=clock, limits=None)
    rules = keeping.no_limits(store.root, limits=BoardLimits(bytes_per_day=ByteSize(9)))

    most = [
        Rules.of(rules, enrolment.read(store, board)).limits.bytes_per_day
        for board in (PIER_3, PIER_4)
    ]

    assert most == [7, 9]


# --- the account of a run ------------------------------------------------------------------------


def test_s04_more_than_the_allowance_is_refused_with_limit_used_left_and_place(
    store: Store, clock: FakeClock
) -> None:
    keeper = limited(store, clock, bytes_per_day=100 * KIB)
    begun = keeper.begin()
    Path(begun.folders[0], "0" * 64).write_bytes(b"x" * 70_000)
    account_of(store, clock).look(staging_of(store).folders[0])

    with pytest.raises(PreflightError) as caught:
        keeper.lacking([wanted(b"", size=40_000)])

    said = str(caught.value)
    assert "pier-3 may take 100.0 KiB a day (bytes_per_day)" in said
    assert "84.0 KiB are used, there is room for 16.0 KiB, and 40.0 KiB would come" in said
    assert "limits.bytes_per_day in the keeper's keeper.yaml" in caught.value.hint
    assert str(store.board_folder(PIER_3) / "enrolment.yaml") in caught.value.hint


def test_a_limit_of_files_is_told_in_files() -> None:
    limit = Allowance("inodes_per_day", "inodes", most=100, used=40, left=60)

    assert limit.said("pier-3", 1) == (
        "board pier-3 may take 100 files a day (inodes_per_day): 40 files are used, there is room "
        "for 60 files, and 1 file would come"
    )


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        (Allowance("bytes_per_day", "bytes", 2048, 1024, 1024),
         "board pier-3 may take 2.0 KiB a day (bytes_per_day): 1.0 KiB are used"),
        (Allowance("bytes_per_run", "bytes", 2048, 1024, 1024),
         "board pier-3 may take 2.0 KiB a run (bytes_per_run): 1.0 KiB are used"),
        (Allowance("hashed_per_day", "hashed", 2048, 1024, 1024),
         "board pier-3 may have hashed 2.0 KiB a day (hashed_per_day): 1.0 KiB are used"),
        (Allowance("min_free", "bytes", 2048, 3072, 1024),
         "2.0 KiB of the keeper's disk stay free (min_free): 3.0 KiB are free"),
        (Allowance("min_free_inodes", "inodes", 7, 9, 2),
         "7 files of the keeper's disk stay free (min_free_inodes): 9 files are free"),
    ],
)  # fmt: skip
def test_each_limit_is_told_in_its_own_words(limit: Allowance, said: str) -> None:
    assert limit.said("pier-3", 0).startswith(f"{said}, there is room for ")


@pytest.mark.parametrize(("min_free", "margin"), [(0, 0), (400, 100), (256 * MIB, 64 * MIB),
                                                  (400 * MIB, 64 * MIB)])  # fmt: skip
def test_a_transfer_keeps_a_quarter_of_min_free_away_and_no_more_than_64_mib(
    tmp_path: Path, min_free: int, margin: int
) -> None:
    settings = keeping.no_limits(tmp_path, min_free=min_free)

    assert Rules(settings, settings.limits).margin == margin


def test_all_that_may_be_used_is_no_overdraft_and_one_byte_more_is(
    store: Store, clock: FakeClock
) -> None:
    account = account_of(store, clock, limits=BoardLimits(bytes_per_day=ByteSize(5000)))
    account.charge(Spent(bytes=5000))
    account.check_not_overdrawn()

    account.charge(Spent(bytes=1))

    with pytest.raises(PreflightError, match="bytes_per_day"):
        account.check_not_overdrawn()
    lock = store.board_folder(PIER_3) / "account.lock"
    assert stat.S_IMODE(lock.stat().st_mode) == 0o600


def test_h19_runs_without_end_stay_within_a_day(store: Store, clock: FakeClock) -> None:
    keeper = limited(store, clock, bytes_per_day=200 * KIB)

    def run(content: bytes) -> None:
        begun = keeper.begin()
        keeper.lacking([wanted(content)])
        Path(begun.folders[0], wanted(content).digest).write_bytes(content)
        keeper.ingest([wanted(content).digest])
        keeper.abandon()

    for number in range(3):
        run(b"%d" % number * 50_000)

    with pytest.raises(PreflightError, match="bytes_per_day"):
        run(b"4" * 50_000)
    clock.advance(DAY)
    assert keeper.lacking([wanted(b"tomorrow")])


@pytest.mark.parametrize(
    ("limits", "seconds"),
    [
        (BoardLimits(bytes_per_day=ByteSize(512 * MIB)), 0.25),
        (BoardLimits(inodes_per_day=5_000), 0.1),
        (BoardLimits(bytes_per_day=ByteSize(KIB)), LOOK_SOONEST),
        (BoardLimits(), LOOK_EVERY),
    ],
)
def test_a_transfer_is_looked_at_the_sooner_the_less_it_may_bring(
    store: Store, clock: FakeClock, limits: BoardLimits, seconds: float
) -> None:
    keeping.keeper_of(store, clock=clock).begin()
    account = account_of(store, clock, limits=limits)

    watch = ArrivalMonitor(account, staging_of(store).folders[0], PIER_3)

    assert watch.patience() == pytest.approx(seconds, rel=0.01)


def test_a_look_into_a_folder_that_was_just_given_up_finds_nothing(
    store: Store, clock: FakeClock
) -> None:
    limited(store, clock).begin()
    (folder, *_) = staging_of(store).folders
    folder.path.rmdir()

    assert account_of(store, clock).look(folder) == incoming.Arrived(0, 0, ())


def test_s04_abandoning_gives_nothing_back_and_sealing_ends_a_run(
    store: Store, clock: FakeClock
) -> None:
    keeper = limited(store, clock, bytes_per_run=300 * KIB)
    begun = keeper.begin()
    content = b"x" * 200_000
    Path(begun.folders[0], wanted(content).digest).write_bytes(content)
    keeper.ingest([wanted(content).digest])
    keeper.abandon()

    keeper.begin()
    with pytest.raises(PreflightError, match="a run"):
        keeper.lacking([wanted(b"", size=200_000)])
    Board(keeper, files={b"f": content}).capture()

    keeper.begin()
    assert keeper.lacking([wanted(b"", size=200_000)])


def test_h8_sealing_what_is_sealed_resets_nothing(store: Store, clock: FakeClock) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    board = Board(keeper, files={b"f": b"x" * 50_000})
    begun = keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    keeper.seal(data, board.signed(data))
    begun = keeper.begin()
    Path(begun.folders[0], "0" * 64).write_bytes(b"x" * 70_000)
    account = account_of(store, clock)
    account.look(staging_of(store).folders[0])
    before = account.balance()

    keeper.seal(data, b"")

    assert before.run.bytes >= 70_000
    assert account.balance().run == before.run
    assert account.balance().today == before.today


def test_what_a_killed_run_left_is_charged_by_the_next_and_given_back_but_for_the_last(
    store: Store, clock: FakeClock
) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    begun = keeper.begin()
    for number in range(3):
        Path(begun.folders[0], f"{number}" * 64).write_bytes(b"x" * 500_000)
        os.utime(Path(begun.folders[0], f"{number}" * 64), ns=(number, number))
    keeper.close()  # it is killed

    keeping.keeper_of(store, clock=clock).begin()

    spent = account_of(store, clock).balance().today
    assert spent.bytes >= 1_500_000
    left = [*staging_of(store).folders[0].path.iterdir()]
    assert [path.name for path in left] == ["2" * 64]  # it may be a part, which rsync goes on with


def test_what_comes_in_the_place_of_what_a_killed_run_left_is_charged_too(
    store: Store, clock: FakeClock
) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    Path(keeper.begin().folders[0], "0" * 64).write_bytes(b"x" * 500_000)
    keeper.close()
    begun = keeping.keeper_of(store, clock=clock).begin()

    Path(begun.folders[0], "1" * 64).write_bytes(b"x" * 500_000)
    account_of(store, clock).look(staging_of(store).folders[0])

    assert account_of(store, clock).balance().today.bytes >= 1_000_000


def test_h23_thinning_gives_back_what_a_dead_run_left_and_no_live_one(
    store: Store, clock: FakeClock
) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    begun = keeper.begin()
    path = Path(begun.folders[0], "0" * 64)
    path.write_bytes(b"x" * 500_000)

    keeping.collect(store, clock)
    alive = path.exists()
    keeper.close()
    keeping.leave_behind(path.parents[1], clock)
    keeping.collect(store, clock)

    assert alive
    assert incoming.current(store, PIER_3) is None


def test_h23_what_a_dead_run_had_sent_whole_is_taken_back(store: Store, clock: FakeClock) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    content = b"x" * 30_000
    begun = keeper.begin()
    Path(begun.folders[0], wanted(content).digest).write_bytes(content)
    keeper.ingest([wanted(content).digest])
    keeper.close()
    keeping.collect(store, clock, grace=DAY)

    keeper.begin()

    assert keeper.lacking([wanted(content)]).send == ()  # to be proven, which costs nothing


def test_h19_a_board_over_its_share_is_told_what_is_used_left_and_where_to_raise_it(
    store: Store, clock: FakeClock
) -> None:
    share = KeeperSettings(store=store.root, min_free=ByteSize(0), min_free_inodes=0,
                           daily_share=1e-9)  # fmt: skip
    keeper = keeping.keeper_of(store, clock=clock, settings=share)
    begun = keeper.begin()
    Path(begun.folders[0], "0" * 64).write_bytes(b"x" * MIB)
    account_of(store, clock).look(staging_of(store).folders[0])

    with pytest.raises(PreflightError) as caught:
        keeper.lacking([wanted(b"new", size=40_000)])

    assert "(daily_share): 1.0 MiB are used, there is room for 0 B, and 40.0 KiB would come" in (
        str(caught.value)
    )
    assert "limits.bytes_per_day in the keeper's keeper.yaml" in caught.value.hint
    assert str(store.board_folder(PIER_3) / "enrolment.yaml") in caught.value.hint
    assert keeper.hello().free_bytes == 0


@pytest.mark.parametrize("where", ["keeper.yaml", "enrolment.yaml"])
def test_h19_m8_a_board_goes_on_when_its_limit_is_raised_in(
    store: Store, clock: FakeClock, where: str
) -> None:
    share = KeeperSettings(store=store.root, min_free=ByteSize(0), min_free_inodes=0,
                           daily_share=1e-9)  # fmt: skip
    keeper = keeping.keeper_of(store, clock=clock, settings=share)
    keeper.begin()
    with pytest.raises(PreflightError, match="daily_share"):
        keeper.lacking([wanted(b"new", size=MIB)])
    keeper.close()

    text = b"limits:\n  bytes_per_day: 10M\n  inodes_per_day: 1000\n"
    if where == "keeper.yaml":
        share = decode_keeper_settings(
            b"store: %b\nmin_free: 0\nmin_free_inodes: 0\ndaily_share: 0.000000001\n%b"
            % (str(store.root).encode(), text)
        )
    else:
        path = store.board_folder(PIER_3) / where
        path.write_bytes(path.read_bytes().replace(b"limits: null\n", text))
    raised = keeping.keeper_of(store, clock=clock, settings=share)
    free = raised.hello().free_bytes

    assert MIB < free <= 10 * MIB
    assert Board(raised, files={b"f": b"x" * MIB}).capture().name


# --- sizes, holes, bases -------------------------------------------------------------------------


@pytest.mark.parametrize("size", [-1, -(1 << 62), ingest.SIZE_MAX + 1, 1 << 62])
def test_m16_m17_a_size_that_no_content_has_is_refused(
    store: Store, clock: FakeClock, size: int
) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    keeper.begin()

    with pytest.raises(SecurityError, match="cannot have"):
        keeper.lacking([wanted(b"x", size=size)])


def test_h4_a_list_that_many_raw_areas_name_is_read_once_and_charged(
    store: Store, clock: FakeClock
) -> None:
    keeper = limited(store, clock)
    raw = b"\1" * 4096
    board: Board[LocalKeeper] = Board(keeper, clock=clock, raws=dict.fromkeys(range(3, 40), raw))
    begun = keeper.begin()
    board.deliver(begun)
    index = board.index(seq=begun.seq)
    data = manifest_file.encode(board.describe(begun, index))
    before = account_of(store, clock).balance().today.hashed

    keeper.seal(data, board.signed(data))

    lists = [keeping.listed(content).encode() for content in (index, board.gap, raw)]
    charged = account_of(store, clock).balance().today.hashed - before
    charged -= len(index) + len(board.gap)
    assert sum(map(len, lists)) <= charged < 2 * sum(map(len, lists))
    shelf = BoardCaptures(store, PIER_3, FakeSignatures())
    capture = shelf.capture(shelf.briefs()[-1].name)
    needs = list(capture_contents.attached(capture, capture.manifest()))
    assert len(needs) == len(set(needs))


@pytest.mark.parametrize(
    "sizes",
    [
        [pieces.PIECED_FROM - 1] * 9,
        [pieces.PIECED_FROM],
        [512 << 30],
        [512 << 30] * 3,
        [pieces.PIECED_FROM + 1] * 1000,
        [1 << 50],  # it would be mostly holes
        [1 << 50, 1 << 50, 5],
    ],
)
def test_h18_the_lists_of_all_files_are_charged_as_large_as_they_can_be(
    store: Store, clock: FakeClock, sizes: list[int]
) -> None:
    def charged(*sizes: int) -> int:
        """Return what a seal charges to be read, before it reads any of it."""
        keeper = limited(store, clock)
        board: Board[LocalKeeper] = Board(keeper, clock=clock, files={b"f": b"x"})
        begun = keeper.begin()
        board.deliver(begun)
        honest = board.describe(begun, board.index(seq=begun.seq))
        part = msgspec.structs.replace(honest.parts[0], files=len(sizes), content_bytes=sum(sizes))
        data = manifest_file.encode(msgspec.structs.replace(honest, parts=(part,)))
        before = account_of(store, clock).balance().today.hashed
        with pytest.raises(SecurityError, match="the manifest says"):
            keeper.seal(data, board.signed(data))
        keeper.close()
        return account_of(store, clock).balance().today.hashed - before

    could_be = [pieces.content_limit(size, pieces.PIECE) for size in sizes]
    read = [
        min(limit, pieces.LIMIT)
        for size, limit in zip(sizes, could_be, strict=True)
        if pieces.is_pieced(size)
    ]

    found = charged(*sizes) - charged()

    assert (
        sum(read)
        <= found
        <= min(len(sizes) * pieces.LIMIT, sum(could_be) + len(sizes) * pieces.RECORD)
    )


def test_h18_holes_are_not_hashed_when_another_size_was_announced(
    store: Store, clock: FakeClock
) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    begun = keeper.begin()
    (digest,) = keeper.lacking([wanted(b"", size=0)]).send
    with Path(begun.folders[0], digest).open("wb") as file:
        file.truncate(ingest.SIZE_MAX)

    banked = keeper.ingest([digest])

    assert banked.bad == (digest,)
    assert list(Path(begun.folders[0]).iterdir()) == []


def test_h18_hashing_counts_holes_and_ends_with_the_day(store: Store, clock: FakeClock) -> None:
    keeper = limited(store, clock, hashed_per_day=3 * MIB)
    begun = keeper.begin()
    names = [f"{number:064x}" for number in range(4)]
    for name in names:
        with Path(begun.folders[0], name).open("wb") as file:
            file.truncate(MIB)

    with pytest.raises(PreflightError, match=r"have hashed 3\.0 MiB a day \(hashed_per_day\)"):
        keeper.ingest(names)

    assert account_of(store, clock).balance().today.hashed == 0
    assert list(Path(begun.folders[0]).iterdir()) == []


def test_s04_more_than_a_run_may_bring_is_not_taken_over_and_not_hashed(
    store: Store, clock: FakeClock
) -> None:
    keeper = limited(store, clock, bytes_per_run=300 * KIB)
    begun = keeper.begin()
    content = b"x" * 400_000
    Path(begun.folders[0], wanted(content).digest).write_bytes(content)

    with pytest.raises(PreflightError, match=r"\(bytes_per_run\)"):
        keeper.ingest([wanted(content).digest])

    assert account_of(store, clock).balance().today.hashed == 0
    assert list(Path(begun.folders[0]).iterdir()) == []


def test_h18_every_byte_that_is_hashed_counts_once_when_it_is_taken_over_or_left_over(
    store: Store, clock: FakeClock
) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    begun = keeper.begin()
    bodies = {hashlib.sha256(body).hexdigest(): body for body in (b"1" * 300, b"2" * 7000)}
    assert keeper.lacking([wanted(body) for body in bodies.values()]).send
    keeping.put(bodies, begun.folders[0])
    keeper.ingest([*bodies])
    taken_over = account_of(store, clock).balance().today.hashed
    late = b"3" * 555
    keeping.put({hashlib.sha256(late).hexdigest(): late}, begun.folders[0])
    keeper.close()

    keeping.keeper_of(store, clock=clock).begin()

    assert taken_over == 7300
    assert account_of(store, clock).balance().today.hashed == 7300 + 555


def test_h18_leftovers_are_dropped_unread_when_hashing_is_used_up(
    store: Store, clock: FakeClock
) -> None:
    keeper = limited(store, clock, hashed_per_day=MIB)
    begun = keeper.begin()
    with Path(begun.folders[0], "0" * 64).open("wb") as file:
        file.truncate(2 * MIB)
    keeper.close()

    begun = keeper.begin()

    assert list(Path(begun.folders[0]).iterdir()) == []
    assert account_of(store, clock).balance().today.hashed == 0


def test_a_board_may_bring_so_many_captures_a_day(store: Store, clock: FakeClock) -> None:
    board = Board(limited(store, clock, captures_per_day=2), clock=clock)
    board.capture()
    board.capture()

    with pytest.raises(PreflightError, match=r"may bring 2 captures a day \(captures_per_day\)"):
        board.keeper.begin()
    clock.advance(86_400)

    assert board.capture().name


def test_two_sessions_of_a_board_do_not_spend_the_same_room(
    store: Store, clock: FakeClock
) -> None:
    limits = BoardLimits(bytes_per_day=ByteSize(MIB))
    first = account_of(store, clock, limits=limits)
    lock = store.board_folder(PIER_3) / "account.lock"

    with (
        first.spending(Spent(bytes=700 * KIB)),
        lock.open("rb") as other,
        pytest.raises(BlockingIOError),
    ):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
    with pytest.raises(PreflightError, match="bytes_per_day"), first.spending(Spent(bytes=MIB)):
        pytest.fail("there was no room for it")

    assert first.balance().today.bytes == 700 * KIB


def test_what_failed_in_the_middle_is_charged(store: Store, clock: FakeClock) -> None:
    spending = account_of(store, clock).spending(Spent(bytes=MIB))

    with pytest.raises(OSError, match="full"), spending:
        raise OSError(errno.ENOSPC, "the disk is full")

    assert account_of(store, clock).balance().today.bytes == MIB


def test_h1_a_basis_is_copied_for_the_boards_own_contents_and_charged(
    store: Store, clock: FakeClock
) -> None:
    old = os.urandom(1 << 20)
    keeper = keeping.keeper_of(store, clock=clock)
    Board(keeper, files={b"f": old}).capture()
    begun = keeper.begin()
    before = account_of(store, clock).balance().today

    many = [wanted(b"%d" % n, size=0, basis=wanted(old).digest) for n in range(500)]
    keeper.lacking(many)
    laid_for_empty = list(Path(begun.folders[0]).iterdir())
    keeper.lacking([wanted(b"new", size=1 << 20, basis=wanted(old).digest)])

    after = account_of(store, clock).balance().today
    assert laid_for_empty == []
    assert [path.name for path in Path(begun.folders[0]).iterdir()] == [wanted(b"new").digest]
    assert after.bytes - before.bytes >= 1 << 20
    assert after.inodes - before.inodes == 1


def test_h1_another_boards_content_is_no_basis(store: Store, clock: FakeClock) -> None:
    enrolment.enrol(store, PIER_4, keeping.OTHER_KEY, clock=clock, limits=None)
    secret = os.urandom(100_000)
    Board(keeping.keeper_of(store, clock=clock), files={b"f": secret}).capture()
    keeper = keeping.keeper_of(store, clock=clock, board=PIER_4)
    begun = keeper.begin()

    keeper.lacking([wanted(b"new", size=100_000, basis=wanted(secret).digest)])

    assert list(Path(begun.folders[0]).iterdir()) == []


def test_h1_copies_end_where_the_account_does(store: Store, clock: FakeClock) -> None:
    old = os.urandom(MIB)
    Board(keeping.keeper_of(store, clock=clock), files={b"f": old}).capture()
    spent = account_of(store, clock).balance().today.bytes
    keeper = limited(store, clock, bytes_per_day=spent + 5 * MIB)
    begun = keeper.begin()

    # Sizes that together fit, with copies that do not: 20 x 256 KiB, and 20 x 1 MiB.
    keeper.lacking(
        [wanted(b"%d" % n, size=256 * KIB, basis=wanted(old).digest) for n in range(20)]
    )

    assert 3 <= len(list(Path(begun.folders[0]).iterdir())) <= 5


def test_h9_contents_that_come_again_are_charged_for_what_accounting_for_them_takes(
    store: Store, clock: FakeClock
) -> None:
    """They are here, and cost nothing to send; each time they take rows in the references."""
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    files, spent = {b"%04d" % n: b"%d" % n for n in range(1000)}, []
    for bodies in (files, {}, files, files):
        before = account_of(store, clock).balance().today
        board.files = dict(bodies)
        clock.advance(1)
        board.capture()
        spent.append(before.growth_to(account_of(store, clock).balance().today).bytes)

    assert len(board.sent) == 1000
    assert 1000 * ACCOUNTING <= spent[2] - spent[3] + 40 * KIB <= 1000 * ACCOUNTING + 80 * KIB


def test_s20_more_entries_than_the_board_may_have_are_refused(
    store: Store, clock: FakeClock
) -> None:
    keeper = limited(store, clock, entries=5)
    board = Board(keeper, files={b"%d" % n: b"x" for n in range(9)})

    with pytest.raises(SecurityError, match="more than the 5 entries") as caught:
        board.capture()

    own = store.board_folder(PIER_3) / "enrolment.yaml"
    assert f"board alone in {own} there;" in caught.value.hint


def test_an_account_that_is_damaged_begins_anew(store: Store, clock: FakeClock) -> None:
    (store.board_folder(PIER_3) / "account.json").write_bytes(b"{")

    assert account_of(store, clock).balance().today == Spent()


def test_the_account_is_what_the_disk_lost(store: Store, clock: FakeClock) -> None:
    """st_blocks counts 512-byte blocks whatever the file system's are (stat(2))."""
    begun = keeping.keeper_of(store, clock=clock).begin()
    with Path(begun.folders[0], "0" * 64).open("wb") as file:
        file.truncate(64 * MIB)
        file.write(b"x" * 4096)
    account = account_of(store, clock)

    account.look(staging_of(store).folders[0])

    assert account.balance().today.bytes < MIB
    assert account.balance().today.inodes == 1


def test_what_a_board_has_no_limit_of_its_own_for_is_as_for_all(store: Store) -> None:
    everybody = BoardLimits(bytes_per_run=ByteSize(7 * MIB), entries=1000)
    settings = keeping.no_limits(store.root, limits=everybody)
    enrolled = msgspec.structs.replace(
        enrolment.read(store, PIER_3), limits=OwnLimits(bytes_per_day=ByteSize(5 * MIB))
    )

    found = Rules.of(settings, enrolled).limits

    assert (found.bytes_per_day, found.bytes_per_run, found.entries) == (5 * MIB, 7 * MIB, 1000)


def test_a_limit_of_its_own_counts_that_is_as_the_programs_default(store: Store) -> None:
    everybody = BoardLimits(captures_per_day=2, bytes_per_day=ByteSize(MIB), entries=10)
    settings = keeping.no_limits(store.root, limits=everybody)
    default = BoardLimits()
    own = OwnLimits(captures_per_day=default.captures_per_day, bytes_per_day=ByteSize(0))
    enrolled = msgspec.structs.replace(enrolment.read(store, PIER_3), limits=own)

    found = Rules.of(settings, enrolled).limits

    assert (found.captures_per_day, found.bytes_per_day, found.entries) == (100, 0, 10)


def test_captures_of_a_day_are_counted_whoever_finished_them(
    store: Store, clock: FakeClock
) -> None:
    """A power cut before the ledger's line: the next run writes it."""
    board = Board(limited(store, clock, captures_per_day=1), clock=clock)
    board.capture()
    path = store.board_folder(PIER_3) / "account.json"
    path.unlink(missing_ok=True)

    with pytest.raises(PreflightError, match="has brought 1 today"):
        limited(store, clock, captures_per_day=1).begin()


def test_captures_that_were_taken_in_again_were_not_brought_today(
    store: Store, clock: FakeClock
) -> None:
    board = Board(limited(store, clock, captures_per_day=2), clock=clock)
    for _ in range(2):
        board.capture()
    board.keeper.close()
    shelf = BoardCaptures(store, PIER_3, FakeSignatures())
    shelf.ledger_file.path.write_bytes(b"")
    take_in.take_in(shelf, clock=clock)

    keeper = limited(store, clock, captures_per_day=2)
    assert Board(keeper, clock=clock).capture().name.startswith("000003")


def test_who_asks_on_and_on_is_not_remembered_for_ever(store: Store, clock: FakeClock) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    keeper.begin()
    for call in range(6):
        keeper.lacking(
            [WantedContent(digest=f"{call * BATCH + n:064x}", size=0) for n in range(BATCH)]
        )

    assert keeper._run is not None
    assert len(keeper._run._announced) == open_run.ANNOUNCED_MAX


@pytest.mark.parametrize("staged", [(), (Spent(bytes=7),), (Spent(),) * 9])
def test_a_document_with_another_number_of_folders_is_gone_on_with(
    store: Store, clock: FakeClock, staged: tuple[Spent, ...]
) -> None:
    Board(keeping.keeper_of(store, clock=clock), clock=clock).capture()
    path = store.board_folder(PIER_3) / "account.json"
    document = msgspec.json.decode(path.read_bytes(), type=Balance)
    path.write_bytes(msgspec.json.encode(msgspec.structs.replace(document, staged=staged)))

    Board(keeping.keeper_of(store, clock=clock), clock=clock).capture()

    after = msgspec.json.decode(path.read_bytes(), type=Balance)
    assert len(after.staged) == FOLDERS


@pytest.mark.parametrize("name", ["stray", "A" * 64, "index.sqlite", "0" * 63])
def test_what_is_no_content_ends_a_transfer_and_is_not_taken_away_under_it(
    store: Store, clock: FakeClock, name: str
) -> None:
    keeping.keeper_of(store, clock=clock).begin()
    folder = staging_of(store).folders[1]
    watch = ArrivalMonitor(account_of(store, clock), folder, PIER_3)
    watch.check()
    (folder.path / name).write_bytes(b"x")

    with pytest.raises(SecurityError, match="no content"):
        watch.look()

    assert (folder.path / name).exists()


def test_files_take_whole_blocks() -> None:
    """Blocks of 4096 bytes, as mke2fs(8) makes them of all but the smallest file systems."""
    assert Spent.of_files([0, 1, 4096, 4097]) == Spent(bytes=4 * 4096, inodes=4)
    assert Spent.of_files([]) == Spent()


def test_days_that_are_forgotten_are_neither_the_newest_nor_near() -> None:
    balance = Balance()
    for day in range(1, 29):
        balance = balance.on(date(2026, 11, day)).charged(Spent(bytes=day))
    newest = set(range(20, 29))  # the eight newest before it, and it

    assert {day.day for day in balance.days} == newest
    back = balance.on(date(2026, 11, 10))
    assert {day.day for day in back.days} == {10, *newest}
    assert back.today == balance.today  # what is not remembered gives nothing back


def test_days_near_to_today_are_remembered_beside_the_newest() -> None:
    balance = Balance()
    for day in [*range(21, 29), *range(1, 10), 10]:
        balance = balance.on(date(2026, 11, day)).charged(Spent(bytes=1))

    assert {day.day for day in balance.days} == {*range(3, 11), *range(21, 29)}
    assert len(balance.days) == DAYS_MOST


def test_a_seal_ends_a_run_and_not_the_day() -> None:
    spent = Spent(bytes=5, inodes=2, hashed=7)
    balance = Balance(staged=(spent,) * FOLDERS).on(date(2026, 11, 25)).charged(spent)

    after = balance.sealed()

    assert (after.run, after.today, after.staged) == (Spent(), spent, balance.staged)


def test_each_limit_stands_as_what_is_used_and_left_says(store: Store, clock: FakeClock) -> None:
    limits = BoardLimits(
        bytes_per_day=ByteSize(100), inodes_per_day=50, hashed_per_day=ByteSize(70),
        bytes_per_run=ByteSize(40),
    )  # fmt: skip
    settings = keeping.no_limits(store.root, limits=limits, min_free=400)
    balance = Balance(
        days={date.min: Spent(bytes=90, inodes=51, hashed=1)}, run=Spent(bytes=30, inodes=9)
    )
    free = Spent(bytes=1000, inodes=5000)
    inodes = settings.min_free_inodes

    assert Rules(settings, limits).allowances(balance, free) == (
        Allowance("min_free", "bytes", 400, 1000, 1000 - 400 - 100),
        Allowance("min_free_inodes", "inodes", inodes, 5000, 5000 - inodes),
        Allowance("bytes_per_day", "bytes", 100, 90, 10),
        Allowance("inodes_per_day", "inodes", 50, 51, -1),
        Allowance("hashed_per_day", "hashed", 70, 1, 69),
        Allowance("bytes_per_run", "bytes", 40, 30, 10),
    )


def test_a_disk_that_is_full_has_a_share_of_nothing(store: Store) -> None:
    settings = keeping.no_limits(store.root, limits=BoardLimits(), min_free=400)
    rules = Rules(settings, settings.limits)

    shares = [
        (a.most, a.left)
        for a in rules.allowances(Balance(), Spent(bytes=100))
        if a.key == "daily_share"
    ]

    assert shares[0] == (0, 0)


def test_as_much_as_is_left_may_come_and_what_costs_nothing_is_never_refused(
    store: Store, clock: FakeClock
) -> None:
    limits = BoardLimits(
        bytes_per_day=ByteSize(5000), inodes_per_day=3, hashed_per_day=ByteSize(0)
    )
    account = account_of(store, clock, limits=limits)
    account.charge(Spent(inodes=4))  # overdrawn, which is no reason to refuse bytes

    account.check(Spent(bytes=5000))
    account.check(Spent(hashed=1 << 50))
    for wanted_more, key in ((Spent(bytes=5001), "bytes_per_day"),
                             (Spent(inodes=1), "inodes_per_day")):  # fmt: skip
        with pytest.raises(PreflightError, match=key):
            account.check(wanted_more)
    assert (account.left("bytes"), account.left("inodes")) == (5000, 0)


def test_what_has_no_limit_has_room_without_end(store: Store, clock: FakeClock) -> None:
    account = account_of(store, clock, limits=BoardLimits(hashed_per_day=ByteSize(0)))

    assert account.left("hashed") == 1 << 62


def test_writing_is_charged_before_it_is_done_and_refused_before_it_is_charged(
    store: Store, clock: FakeClock
) -> None:
    account = account_of(store, clock, limits=BoardLimits(bytes_per_day=ByteSize(5000)))

    with pytest.raises(PreflightError), account.spending(Spent(bytes=5001)):
        pytest.fail("it was written")
    refused = account.balance().today
    with account.spending(Spent(bytes=3000, inodes=1)):
        pass
    with pytest.raises(OSError, match="full"), account.spending(Spent(bytes=500)):
        raise OSError(errno.ENOSPC, "full")

    assert refused == Spent()
    assert account.balance().today == account.balance().run == Spent(bytes=3500, inodes=1)


def test_who_spends_is_alone_and_lets_go(store: Store, clock: FakeClock) -> None:
    account, before = account_of(store, clock), descriptors.count()
    lock = store.board_folder(PIER_3) / "account.lock"

    with (
        account.spending(Spent(bytes=1)),
        lock.open("rb") as other,
        pytest.raises(BlockingIOError),
    ):
        fcntl.flock(other, fcntl.LOCK_SH | fcntl.LOCK_NB)

    assert descriptors.count() == before


def test_an_account_that_did_not_change_is_not_written(store: Store, clock: FakeClock) -> None:
    account = account_of(store, clock)
    account.charge(Spent(bytes=1))
    path = store.board_folder(PIER_3) / "account.json"
    before = path.stat().st_ino

    account.charge(Spent())
    account.look(incoming.TransferFolder(0, path.parent / "gone"))

    assert path.stat().st_ino == before
    account.sealed()
    assert path.stat().st_ino != before
    assert (account.balance().run, account.balance().today) == (Spent(), Spent(bytes=1))


def test_an_accounts_lock_is_not_followed_to_another_file(
    store: Store, clock: FakeClock, tmp_path: Path
) -> None:
    """open(2): ELOOP where the last part of a path is a symbolic link that is not followed."""
    (store.board_folder(PIER_3) / "account.lock").symlink_to(tmp_path / "elsewhere")

    with pytest.raises(OSError, match="symbolic links"):
        account_of(store, clock).charge(Spent(bytes=1))

    assert not (tmp_path / "elsewhere").exists()


def test_what_to_do_about_each_limit(store: Store, clock: FakeClock) -> None:
    account = account_of(store, clock)
    own = store.board_folder(PIER_3) / "enrolment.yaml"
    share = account.rules.settings.daily_share

    def hint(key: str, kind: str) -> str:
        return account.refused(Allowance(key, kind, 1, 1, 0)).hint

    for key in ("min_free", "min_free_inodes"):
        assert "`holdstill thin` says which captures may go" in hint(key, "bytes")
    assert hint("daily_share", "inodes") == (
        f"a board may take {share:.0%} of what is free a day: go on tomorrow, or set "
        f"limits.inodes_per_day in the keeper's keeper.yaml, or for this board alone in {own}"
    )
    assert hint("bytes_per_run", "bytes") == (
        f"raise limits.bytes_per_run in the keeper's keeper.yaml or in {own}"
    )


@pytest.mark.parametrize(("wanted", "end"), [((), "0 B"), ((7,), "0 B, and 7 B would come")])
def test_a_refusal_says_what_would_come_where_that_is_known(
    store: Store, clock: FakeClock, wanted: tuple[int, ...], end: str
) -> None:
    refusal = account_of(store, clock).refused(Allowance("min_free", "bytes", 1, 1, 0), *wanted)

    assert str(refusal).endswith(f"there is room for {end}")


@pytest.mark.parametrize(("most", "is_refused"), [(0, False), (1, True), (2, False)])
def test_captures_of_other_days_do_not_count(
    store: Store, clock: FakeClock, most: int, *, is_refused: bool
) -> None:
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    board.capture()
    clock.advance(DAY)
    board.capture()
    board.keeper.close()
    with BoardCaptures(store, PIER_3, FakeSignatures()).ledger_file.held_for_reading() as ledger:
        account = account_of(store, clock, limits=BoardLimits(captures_per_day=most))
        if not is_refused:
            account.check_captures(ledger)
            return
        with pytest.raises(PreflightError, match="may bring 1 captures a day") as caught:
            account.check_captures(ledger)
    assert "has brought 1 today" in str(caught.value)
    assert "raise limits.captures_per_day" in caught.value.hint
    assert str(store.board_folder(PIER_3) / "enrolment.yaml") in caught.value.hint


class StoreWithRoom(stores.Store):
    """A store on a disk with so many bytes and inodes free."""

    room = (0, 0)

    def free(self) -> tuple[int, int]:
        return StoreWithRoom.room


def account_with_room(store: Store, clock: FakeClock, limits: BoardLimits) -> Account:
    settings = msgspec.structs.replace(
        keeping.no_limits(store.root, limits=limits), min_free=ByteSize(400), min_free_inodes=10
    )
    held = StoreWithRoom(store.root, store.facts, store.disk)
    return Account(held, enrolment.read(store, PIER_3), settings, clock=clock)


def refusal(*, is_one: bool) -> AbstractContextManager[object]:
    return pytest.raises(PreflightError, match="stay free") if is_one else nullcontext()


# A quarter of min_free above it is for what comes until a transfer is stopped: nothing may be
# begun there, and what goes on there is stopped below min_free itself.
@pytest.mark.parametrize(
    ("room", "may_begin", "may_go_on"),
    [
        ((501, 11), True, True),
        ((500, 11), False, True),
        ((400, 11), False, True),
        ((399, 11), False, False),
        ((501, 10), False, True),
        ((501, 9), False, False),
    ],
)
def test_between_what_may_begin_and_what_is_stopped_lies_the_margin_of_bytes(
    store: Store, clock: FakeClock, room: tuple[int, int], *, may_begin: bool, may_go_on: bool
) -> None:
    account = account_with_room(store, clock, BoardLimits())
    StoreWithRoom.room = room

    with refusal(is_one=not may_begin):
        account.check(Spent(bytes=1, inodes=1))
    with refusal(is_one=not may_go_on):
        account.check_not_overdrawn()


@pytest.mark.parametrize("key", ["bytes_per_day", "bytes_per_run", "hashed_per_day"])
def test_no_other_limit_has_a_margin(store: Store, clock: FakeClock, key: str) -> None:
    account = account_with_room(store, clock, BoardLimits(**{key: ByteSize(1000)}))
    StoreWithRoom.room = (1 << 40, 1 << 20)

    account.charge(Spent(bytes=1000, hashed=1000))
    account.check_not_overdrawn()
    account.charge(Spent(bytes=1, hashed=1))

    with pytest.raises(PreflightError, match=key):
        account.check_not_overdrawn()


@pytest.mark.parametrize("kind", ["bytes", "inodes", "hashed"])
def test_a_folder_grows_by_what_is_more_and_never_by_less_than_nothing(kind: str) -> None:
    two, five = Spent(**{kind: 2}), Spent(**{kind: 5})

    assert two.growth_to(five) == Spent(**{kind: 3})
    assert five.growth_to(two) == five.growth_to(five) == Spent()
    assert two + five == Spent(**{kind: 7})
