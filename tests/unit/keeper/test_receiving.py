"""What a transfer from a board must be, before and while it writes (for real: tests/ssh)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError, PreflightError, SecurityError
from holdstill.keeper import enrolment, incoming, receiving
from holdstill.keeper.account import Account
from holdstill.keeper.forced_command import ReceiveRequest
from holdstill.keeper.receiving import ArrivalMonitor
from holdstill.model.names import RunId
from holdstill.model.settings import BoardLimits
from holdstill.model.sizes import ByteSize
from support import keeping
from support.keeping import PIER_3

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from support.keeping import FakeClock


def account_of(store: Store, clock: FakeClock, *, limits: BoardLimits | None = None) -> Account:
    rules = keeping.no_limits(store.root, limits=limits)
    return Account(store, enrolment.read(store, PIER_3), rules, clock=clock)


@pytest.mark.parametrize("lacking", ["staging", "name", "life"])
def test_nothing_is_received_without_the_run_that_it_is_for(
    store: Store, clock: FakeClock, lacking: str
) -> None:
    keeper = keeping.keeper_of(store, clock=clock)
    begun = keeper.begin()
    if lacking == "staging":
        keeper.abandon()
        incoming.tidy(store, PIER_3, finished_runs=frozenset({begun.run}))
    if lacking == "life":
        keeper.close()
    run = "f" * 16 if lacking == "name" else begun.run
    wish = ReceiveRequest(run=RunId(run), folder=0, options=())

    with pytest.raises(BusyError, match=f"run {run} of board pier-3 is not under way"):
        receiving.receive(store, PIER_3, wish, account=account_of(store, clock), clock=clock)

    # Its lock was given back.
    with incoming.no_receiver(store, PIER_3, 0, clock=clock):
        pass


def monitor(store: Store, clock: FakeClock, **limits: ByteSize) -> ArrivalMonitor:
    keeping.keeper_of(store, clock=clock).begin()
    staging = incoming.current(store, PIER_3)
    assert staging is not None
    account = account_of(store, clock, limits=BoardLimits(captures_per_day=0, **limits))
    return ArrivalMonitor(account, staging.folders[0], PIER_3)


@pytest.mark.parametrize("how", ["gone", "another"])
def test_a_transfer_ends_with_its_folder(store: Store, clock: FakeClock, how: str) -> None:
    watch = monitor(store, clock)
    path = watch._folder.path
    watch.check()
    path.rename(path.with_name("aside"))  # so that the number of its inode is not given again
    if how == "another":
        path.mkdir()

    for look in (watch.check_is_there, watch.look, watch.check):
        with pytest.raises(BusyError, match=r"the run of board pier-3 .* is over"):
            look()


def test_a_transfer_ends_at_the_first_byte_too_many(store: Store, clock: FakeClock) -> None:
    watch = monitor(store, clock, bytes_per_run=ByteSize(1 << 20))
    path = watch._folder.path
    (path / ("a" * 64)).write_bytes(b"x" * 500_000)
    watch.check()
    (path / ("b" * 64)).write_bytes(b"x" * (1 << 20))

    with pytest.raises(PreflightError, match="bytes_per_run"):
        watch.check()

    assert watch._account.balance().run.bytes >= 500_000 + (1 << 20)


def test_a_strange_name_is_told_as_far_as_it_is_of_use(store: Store, clock: FakeClock) -> None:
    watch = monitor(store, clock)
    (watch._folder.path / ("x" * 101)).touch()

    with pytest.raises(SecurityError) as caught:
        watch.look()

    assert f"'{'x' * 100}'" in str(caught.value)


def test_a_group_that_is_gone_need_not_be_stopped() -> None:
    """kill(2): ESRCH where there is no such group; no pid is above 2^22 (proc(5), pid_max)."""
    with receiving._stopped((1 << 22) + 1):
        pass
