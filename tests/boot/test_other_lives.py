"""Captures of other boards, and under other loads: minutes each, so not for every day."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from support.vm import board, cycle, evidence, machine
from support.vm.board import Ids, Table

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from support.vm.cycle import Life
    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]


def judge(life: Life, measured: Callable[[str], None]) -> None:
    """Check what holds for every copy, and note what the capture took."""
    report, original = life.original.report, life.original
    measured(str(life.watch))
    measured(f"agent: {original.agent_kib} KiB, {original.agent_cpu_s} CPU s")
    measured(f"frozen {report.frozen_ms} ms; longest writes {original.stall.longest_s} s")

    assert (life.copy.state, life.copy.failed_units) == (b"running\n", b"")
    assert life.copy.readings[0] < life.copy.readings[1]
    assert evidence.broken_promises(life.copy.found) == []
    assert cycle.differing_entries(life) == {}


def test_a_board_with_little_memory_and_one_core_is_captured(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    small = machine.Hardware(cores=1, memory_mib=512)

    life = cycle.live(tmp_path, cycle.Course(hardware=small))

    judge(life, measured)
    assert life.original.agent_kib < 96 * 1024  # DESIGN 3, scale


def test_a_board_with_a_gpt_is_captured(tmp_path: Path, measured: Callable[[str], None]) -> None:
    course = cycle.Course(ids=Ids(table=Table.GPT), starts=machine.from_uefi)

    life = cycle.live(tmp_path, course)

    judge(life, measured)
    rows = [line.split() for line in life.copy.devices.decode().splitlines()]
    assert [course.ids.partition(2), course.ids.root, "rootfs", "/"] in rows


PG_AMCHECK = "/usr/lib/postgresql/15/bin/pg_amcheck"
AS_POSTGRES = ("runuser", "-u", "postgres", "--")
START_LOAD = """\
set -e
runuser -u postgres -- createdb bench
runuser -u postgres -- pgbench --initialize --quiet --scale=2 bench
systemd-run --quiet --unit=bench --uid=postgres pgbench --client=2 --rate=20 --time=3600 bench
systemd-run --quiet --unit=levels sh -c 'n=0; while n=$((n+1)); do \
  mosquitto_pub -r -q 1 -t pier-3/level -m $n; sleep 0.2; done'
"""
BALANCES = """\
SELECT sum(abalance) FROM pgbench_accounts UNION ALL
SELECT sum(bbalance) FROM pgbench_branches UNION ALL
SELECT sum(tbalance) FROM pgbench_tellers UNION ALL
SELECT sum(delta) FROM pgbench_history
"""


@contextmanager
def database_load(pier: Machine) -> Iterator[None]:
    """Have clients change a PostgreSQL database and publish through Mosquitto."""
    pier.run("bash", "-c", START_LOAD, timeout=300)
    yield


def balances(pier: Machine) -> bytes:
    """Have PostgreSQL check its files, and add up what has to be equal.

    Source: PostgreSQL documentation, pgbench, "What is the Transaction Actually Performed in
    pgbench?": each transaction adds the same amount to an account, a teller and a branch, and
    notes it in the history.
    """
    pier.run("systemctl", "is-active", "postgresql@15-main", "mosquitto")
    check = (
        "/usr/lib/postgresql/15/bin/pg_amcheck",
        "--install-missing",
        "--heapallindexed",
        "--all",
    )
    pier.run(*AS_POSTGRES, *check, timeout=300)
    return pier.run(*AS_POSTGRES, "psql", "--no-align", "--tuples-only", "-c", BALANCES, "bench")


def test_databases_under_load_are_sound_on_the_copy(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    course = cycle.Course(flavour=board.DATABASES, load=database_load, asked=balances)

    life = cycle.live(tmp_path, course)

    judge(life, measured)
    measured(f"balances: {life.answer.split()}")
    assert len(life.answer.split()) == 4
    assert len(set(life.answer.split())) == 1
    assert life.answer.split()[0] != b"0"


def test_a_copy_starts_from_its_boot_code_in_an_sd_slot(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    life = cycle.live(tmp_path, cycle.Course(copy_starts=machine.from_sd_card))

    judge(life, measured)
