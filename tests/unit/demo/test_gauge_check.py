from __future__ import annotations

import dataclasses
import json
import tempfile
from contextlib import ExitStack, closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.demo import gauge_check, tide_gauge
from holdstill.demo.gauge_check import Calibration, Database, Found, Log
from support.vm import evidence

if TYPE_CHECKING:
    from collections.abc import Iterator

SOUND = Found(
    leading=21,
    trailing=20,
    calibration=Calibration(seq=14, datum_mm=56, check=70),
    log=Log(lines=21, whole=21, tail="", gaps=0, last=21),
    database=Database(
        count=21,
        first=1,
        last=21,
        sum_mm=-40,
        newest_ns=1_795_591_077_379_468_070,
        stated_count=21,
        stated_sum_mm=-40,
        in_classes=1200,
        integrity=("ok",),
    ),
)


OPEN = ExitStack()
"""Databases, which have a -wal while they are open, and none any more once they are closed."""


@pytest.fixture(autouse=True)
def _databases_closed_at_the_end() -> Iterator[None]:
    yield
    OPEN.close()


def readings_taken(root: Path, count: int) -> Path:
    """Let a gauge take readings below root."""
    gauge = tide_gauge.Gauge(root, OPEN.enter_context(closing(tide_gauge.open_database(root))))
    for _ in range(count):
        gauge.take()
    return root


def test_files_of_one_instant_break_no_promise() -> None:
    assert gauge_check.broken_promises(SOUND) == []


def test_the_report_of_a_board_is_understood() -> None:
    report = json.dumps(dataclasses.asdict(SOUND)).encode()

    assert evidence.decode(report) == SOUND


@pytest.mark.parametrize(
    ("torn", "promise"),
    [
        (replace(SOUND, trailing=22), "no file is ahead of one written before it"),
        (replace(SOUND, trailing=19), "all files are of the same reading or the next"),
        (
            replace(SOUND, calibration=Calibration(seq=14, datum_mm=56, check=35)),
            "the calibration is whole",
        ),
        (
            replace(SOUND, calibration=Calibration(seq=7, datum_mm=28, check=35)),
            "the calibration is of the same instant",
        ),
    ],
)
def test_files_of_different_instants_are_told_apart(torn: Found, promise: str) -> None:
    broken = gauge_check.broken_promises(torn)

    assert [text.partition(":")[0] for text in broken] == [promise]


@pytest.mark.parametrize(
    "torn",
    [
        replace(SOUND.log, whole=20),
        replace(SOUND.log, tail="21 17955"),
        replace(SOUND.log, gaps=1),
        replace(SOUND.log, last=19),
        replace(SOUND.log, last=22),
    ],
)
def test_a_damaged_log_is_noticed(torn: Log) -> None:
    assert gauge_check.broken_promises(replace(SOUND, log=torn))


@pytest.mark.parametrize(
    "torn",
    [
        replace(SOUND.database, integrity=("row 3 missing from index",)),
        replace(SOUND.database, stated_count=20),
        replace(SOUND.database, sum_mm=-41),
        replace(SOUND.database, first=2),
        replace(SOUND.database, in_classes=1201),
        replace(SOUND.database, count=20, stated_count=20),
    ],
)
def test_a_damaged_database_is_noticed(torn: Database) -> None:
    assert gauge_check.broken_promises(replace(SOUND, database=torn))


def test_a_gauge_at_rest_leaves_files_of_one_instant() -> None:
    # In memory, because the gauge flushes each reading: there are more of them than the log holds
    # lines, and than the statistics hold readings.
    with tempfile.TemporaryDirectory(dir="/dev/shm") as name:
        root = readings_taken(Path(name), 1300)
        found, broken = gauge_check.look(root), gauge_check.check(root)

    assert found.database.last == 1300
    assert broken == []


def test_a_gauge_that_is_started_again_goes_on(tmp_path: Path) -> None:
    readings_taken(readings_taken(tmp_path, 10), 10)

    assert gauge_check.check(tmp_path) == []
    assert gauge_check.look(tmp_path).trailing == 20


def test_looking_leaves_the_tree_as_it_is(tmp_path: Path) -> None:
    readings_taken(tmp_path, 10)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    gauge_check.check(tmp_path)

    assert before == {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}


def test_a_counter_from_a_moment_before_is_noticed(tmp_path: Path) -> None:
    readings_taken(tmp_path, 10)
    early = (tmp_path / tide_gauge.TRAILING).read_bytes()
    readings_taken(tmp_path, 5)

    (tmp_path / tide_gauge.TRAILING).write_bytes(early)

    assert len(gauge_check.check(tmp_path)) == 1


def test_a_database_without_its_newest_transactions_is_noticed(tmp_path: Path) -> None:
    readings_taken(tmp_path, 10)

    (tmp_path / gauge_check.FOLDER / "readings.sqlite-wal").unlink()

    assert gauge_check.check(tmp_path)


@pytest.mark.parametrize(
    "name", [tide_gauge.DATABASE, tide_gauge.LEADING, tide_gauge.CALIBRATION, tide_gauge.LOG]
)
def test_a_file_that_is_cut_short_is_noticed(tmp_path: Path, name: Path) -> None:
    readings_taken(tmp_path, 10)

    (tmp_path / name).write_bytes(b"")

    assert gauge_check.check(tmp_path)


def test_the_judge_knows_the_same_places_as_the_gauge() -> None:
    # On a board each is a program of its own, so they state them twice.
    gauge = (tide_gauge.DATABASE, tide_gauge.LOG.parent, tide_gauge.TRAILING)
    judge = (gauge_check.FOLDER / gauge_check.DATABASE, gauge_check.LOGS, gauge_check.TRAILING)

    assert gauge == judge
    assert tide_gauge.CALIBRATION == gauge_check.CALIBRATION
    assert tide_gauge.NEWEST == gauge_check.NEWEST
    assert tide_gauge.READINGS_PER_CALIBRATION == gauge_check.READINGS_PER_CALIBRATION
