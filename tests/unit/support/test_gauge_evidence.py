import msgspec
import pytest

from support.vm import evidence

SOUND = evidence.Found(
    leading=21,
    trailing=20,
    calibration=evidence.Calibration(seq=14, datum_mm=56, check=70),
    log=evidence.Log(lines=21, whole=21, tail="", gaps=0, last=21),
    database=evidence.Database(
        count=21,
        first=1,
        last=21,
        sum_mm=-40,
        stated_count=21,
        stated_sum_mm=-40,
        newest_ns=1_795_591_077_379_468_070,
        integrity=["ok"],
    ),
)


def test_files_of_one_instant_break_no_promise() -> None:
    assert evidence.broken_promises(SOUND) == []


def test_the_report_of_a_board_is_understood() -> None:
    report = msgspec.json.encode(SOUND)

    assert evidence.decode(report) == SOUND


@pytest.mark.parametrize(
    ("torn", "promise"),
    [
        ({"trailing": 22}, "no file is ahead of one written before it"),
        ({"trailing": 19}, "all files are of the same reading or the next"),
        (
            {"calibration": evidence.Calibration(seq=14, datum_mm=56, check=35)},
            "the calibration is whole",
        ),
        (
            {"calibration": evidence.Calibration(seq=7, datum_mm=28, check=35)},
            "the calibration is of the same instant",
        ),
    ],
)
def test_files_of_different_instants_are_told_apart(torn: dict[str, object], promise: str) -> None:
    found = msgspec.structs.replace(SOUND, **torn)

    broken = evidence.broken_promises(found)

    assert [text.partition(":")[0] for text in broken] == [promise]


@pytest.mark.parametrize(
    "torn", [{"whole": 20}, {"tail": "21 17955"}, {"gaps": 1}, {"last": 19}, {"last": 22}]
)
def test_a_damaged_log_is_noticed(torn: dict[str, object]) -> None:
    found = msgspec.structs.replace(SOUND, log=msgspec.structs.replace(SOUND.log, **torn))

    assert evidence.broken_promises(found)


@pytest.mark.parametrize(
    "torn",
    [
        {"integrity": ["row 3 missing from index"]},
        {"stated_count": 20},
        {"sum_mm": -41},
        {"first": 2},
        {"count": 20, "stated_count": 20},
    ],
)
def test_a_damaged_database_is_noticed(torn: dict[str, object]) -> None:
    base = msgspec.structs.replace(SOUND.database, **torn)
    found = msgspec.structs.replace(SOUND, database=base)

    assert evidence.broken_promises(found)
