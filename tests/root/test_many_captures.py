"""Many captures in a row of a board under load, each judged; and plain live copies in between.

PostgreSQL under pgbench, an SQLite bank of 1 GiB with a write-ahead log, a till in MariaDB, and a
tide gauge that promises an order of writes across directories: nobody stops or tells any of them.
In every capture all of them must be of one instant. The same judges look at copies that rsync
made of the running board.

HOLDSTILL_CAPTURES says how many captures; after each fourth a copy is made.
"""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import time
from collections import Counter
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.demo import board, gauge_check, loop_board
from holdstill.demo.material import Share
from holdstill.model.sizes import MIB
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow.capture_report import CaptureReport
from support import bank, boards, programs, servers, till
from support.boards import holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.boards import Nearby

CAPTURES = int(os.environ.get("HOLDSTILL_CAPTURES", "200"))
PER_COPY = 4
SHARES = (Share("/usr/share", 300, 10 * MIB),)
CLUSTER = Path("var/lib/postgresql/data")
BANK, ARCHIVE = Path("var/lib/bank/bank.sqlite"), 1 << 30
TILL = Path("var/lib/mysql")
CARD = 3 << 30
CLERKS = 2
SMALL = ("--wal-segsize=1",)
OFTEN = ("max_wal_size=4MB", "min_wal_size=2MB", "shared_buffers=8MB", "max_connections=20")
"""Settings of a small board's PostgreSQL, that make a checkpoint every few seconds."""
RATE = 150
SUMS = """
SELECT (SELECT sum(abalance) FROM pgbench_accounts), (SELECT sum(tbalance) FROM pgbench_tellers),
       (SELECT sum(bbalance) FROM pgbench_branches),
       (SELECT coalesce(sum(delta), 0) FROM pgbench_history),
       (SELECT count(*) FROM pgbench_history)
"""
"""Each of pgbench's transactions adds one delta to an account, a teller and a branch, and notes it
in the history (PostgreSQL documentation, pgbench: the TPC-B-like transaction)."""

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1200 + 120 * CAPTURES)]


@contextmanager
def busy_board(home: Path) -> Iterator[board.Board]:
    """Run a board on which a gauge, a bank, a till and PostgreSQL are at work."""
    with ExitStack() as undo:
        pier = undo.enter_context(
            board.on_loop_device(
                home, machine=LocalRunner(), clock=SystemClock(), shares=SHARES, size=CARD
            )
        )
        home.chmod(0o711)  # it is PostgreSQL's, and MariaDB's data lie in it as well
        cluster = pier.root / CLUSTER
        cluster.parent.mkdir(parents=True)
        shutil.chown(cluster.parent, "postgres", "postgres")
        servers.make_postgresql(cluster, *SMALL)
        undo.enter_context(servers.postgresql_on(cluster, home, *OFTEN))
        undo.enter_context(pgbench(home))
        (pier.root / BANK).parent.mkdir(parents=True)
        bank.make(pier.root / BANK, archive=ARCHIVE)
        undo.enter_context(bank.busy(pier.root / BANK, clerks=CLERKS))
        undo.enter_context(till_at_work(pier.root / TILL))
        undo.callback(loop_board.thaw, pier.root)
        yield pier


@contextmanager
def pgbench(home: Path) -> Iterator[None]:
    """Let pgbench change balances for the length of the block."""
    words = [os.fspath(servers.postgresql_program("pgbench")), "-h", os.fspath(home)]
    words += ["-U", "postgres"]
    programs.run(*words, "-i", "-q", "postgres")
    load = ["-c", "4", "-R", str(RATE), "-T", "100000", "-n", "postgres"]
    with subprocess.Popen(
        [*words, *load], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as bench:
        try:
            yield
            assert bench.poll() is None, "pgbench gave up"
        finally:
            bench.kill()


@contextmanager
def till_at_work(data: Path) -> Iterator[None]:
    """Run MariaDB with its data there, and let money move in it."""
    with servers.home_of("mysql") as home:
        servers.make_mariadb(data, home)
        with servers.mariadb_on(data, home):
            till.make(home / "socket")
            with till.busy(home / "socket"):
                yield


@dataclass
class Verdicts:
    """What the judges said of some trees.

    Attributes:
        wrong: for each tree what was wrong with it.
        transactions: that each tree's PostgreSQL tells of.
        seconds: how long it took to make each.
    """

    wrong: list[list[str]] = field(default_factory=list)
    transactions: list[int] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def add(self, tree: Path, *, seconds: float) -> None:
        """Question one tree, a copy that may be written to."""
        broken, told = question_postgresql(tree / CLUSTER)
        broken += bank.wrong(tree / BANK)
        broken += till.wrong(tree / TILL)
        broken += [f"gauge: {words}" for words in gauge_check.check(tree)]
        self.wrong.append(broken)
        self.transactions.append(told)
        self.seconds.append(seconds)

    def by_witness(self) -> dict[str, int]:
        """Count the trees in which each of them is broken."""
        names = [{words.partition(":")[0] for words in broken} for broken in self.wrong]
        return dict(sorted(Counter(itertools.chain(*names)).items()))

    def __str__(self) -> str:
        violated = sum(map(bool, self.wrong))
        middle = sorted(self.seconds)[len(self.seconds) // 2]
        return (
            f"{violated} of {len(self.wrong)} violated {self.by_witness()}, "
            f"{middle:.2f} s each (median)"
        )


def question_postgresql(cluster: Path) -> tuple[list[str], int]:
    """Let PostgreSQL recover on a cluster; return what is wrong, and its transactions."""
    (cluster / "postmaster.pid").unlink(missing_ok=True)  # its process runs, on the board
    psql = servers.postgresql_program("psql")
    with servers.home_of("postgres") as home:
        here = home / "data"
        cluster.rename(here)
        programs.run("chown", "-R", "postgres:postgres", here)
        try:
            with servers.postgresql_on(here, home, "fsync=off"):
                asked = (psql, "-h", home, "-U", "postgres", "-AtF,", "-c", SUMS)
                answer = programs.attempt(*asked)
        except AssertionError as error:
            return [f"postgresql: does not start: {str(error)[-300:]}"], 0
    if answer.returncode:
        return [f"postgresql: {answer.stderr.decode()[:200]}"], 0
    *sums, count = map(int, answer.stdout.decode().split(","))
    return ([] if len(set(sums)) == 1 else [f"postgresql: sums {sums}"]), count


def capture(kept: Nearby, verdicts: Verdicts, work: Path) -> CaptureReport:
    """Take one capture, and have the judges look at what comes out of the store again."""
    began = time.monotonic()
    said = holdstill("capture", "--settings", kept.settings, "--json", timeout=600)
    seconds = time.monotonic() - began
    report = msgspec.json.decode(said, type=CaptureReport)
    holdstill(
        "get", f"pier-3/{report.name}", "/", "--to", work, "--store", kept.store, timeout=600
    )
    verdicts.add(work, seconds=seconds)
    shutil.rmtree(work)
    return report


def copy(root: Path, verdicts: Verdicts, work: Path) -> None:
    """Copy the living tree as one would by hand, and have the same judges look at it."""
    began = time.monotonic()
    # 24: files vanished meanwhile, which is no failure of such a copy (rsync(1), EXIT VALUES).
    done = programs.attempt("rsync", "-aHAX", f"{root}/", f"{work}/", timeout=600)
    assert done.returncode in {0, 24}, done.stderr
    verdicts.add(work, seconds=time.monotonic() - began)
    shutil.rmtree(work)


def show(words: str) -> None:
    """Print, for whoever asked for these many captures."""
    print(words, flush=True)  # noqa: T201


def test_no_capture_of_many_breaks_what_live_copies_break(tmp_path: Path) -> None:
    captured, copied, reports = Verdicts(), Verdicts(), []
    began = time.monotonic()
    with (
        servers.home_of("postgres") as home,
        busy_board(home) as pier,
        boards.kept_nearby(tmp_path, pier.root, more="pause: {rounds: 2}\n") as kept,
    ):
        for number in range(CAPTURES):
            reports.append(capture(kept, captured, tmp_path / "again"))
            if number % PER_COPY == 0:
                copy(pier.root, copied, tmp_path / "copy")
            show(f"{number + 1}: {captured} | live copies: {copied}")

    spans = sorted(report.frozen_ms for report in reports)
    show(f"captures: {captured}")
    show(f"live copies: {copied}")
    show(
        f"frozen: median {spans[len(spans) // 2]:.0f} ms, longest {spans[-1]:.0f} ms; "
        f"{captured.transactions[-1]} transactions; {time.monotonic() - began:.0f} s in all"
    )
    assert captured.wrong == [[]] * CAPTURES
    grades = {part.grade for report in reports for part in report.parts if part.place == "/"}
    assert grades == {"point-in-time"}
    assert [report.warnings for report in reports] == [()] * CAPTURES
    # Nothing stood still but in the pauses: every capture is of a later instant.
    assert all(later > earlier for earlier, later in itertools.pairwise(captured.transactions))
    # The judges are not blind: each of them finds live copies that are of no instant.
    assert set(copied.by_witness()) >= {"bank", "gauge", "postgresql"}
