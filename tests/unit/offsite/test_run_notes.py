import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from holdstill.offsite import run_notes

NOW = datetime(2026, 12, 5, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def troubles(root: Path, after: timedelta) -> list[str]:
    return list(run_notes.troubles(root, NOW + after))


def test_a_store_without_a_copy_has_no_trouble_with_it(tmp_path: Path) -> None:
    assert troubles(tmp_path, 1000 * HOUR) == []


def test_a_line_that_is_down_for_an_hour_is_no_news_and_for_two_days_is(tmp_path: Path) -> None:
    run_notes.change(tmp_path, NOW, failed="no route to host", do="check the network")

    assert troubles(tmp_path, HOUR) == []
    (said,) = troubles(tmp_path, 48 * HOUR)
    assert "no route to host; what to do: check the network" in said
    assert "since 2026-12-05T12:00:00Z" in said


def test_what_waiting_does_not_mend_is_told_at_once(tmp_path: Path) -> None:
    run_notes.change(tmp_path, NOW, failed="somebody else writes there", is_lasting=True)

    assert "somebody else writes there" in troubles(tmp_path, HOUR)[0]


def test_a_copy_that_never_was_whole_is_told_at_once_with_why(tmp_path: Path) -> None:
    run_notes.save(tmp_path, run_notes.RunNotes(since="2026-12-05T12:00:00Z", is_new=True))

    (said,) = troubles(tmp_path, HOUR)
    assert "no upload has come to its end" in said
    assert "run `holdstill offsite upload`" in said
    run_notes.change(tmp_path, NOW, failed="no route to host", do="check the network")
    (said,) = troubles(tmp_path, HOUR)
    assert "no route to host; what to do: check the network" in said
    run_notes.change(tmp_path, NOW, is_new=False, failed="")
    assert troubles(tmp_path, HOUR) == []


def test_a_timer_that_never_runs_is_told(tmp_path: Path) -> None:
    run_notes.change(tmp_path, NOW)

    assert troubles(tmp_path, 23 * HOUR) == []
    assert "offsite-upload.timer" in troubles(tmp_path, 25 * HOUR)[0]


def test_captures_that_cannot_be_sent_and_findings_of_verify_are_told(tmp_path: Path) -> None:
    run_notes.change(tmp_path, NOW, left=("pier-3/000001: damaged",))
    run_notes.change(tmp_path, NOW, findings=("pack ab is missing",), checked_at="2026-12-05")

    said = troubles(tmp_path, HOUR)

    assert ["pier-3/000001: damaged" in said[0], "pack ab is missing" in said[1]] == [True, True]


@pytest.mark.parametrize("data", [b"", b"{}", b'{"since": 5}', b"\xff"])
def test_notes_that_cannot_be_read_are_a_finding_until_all_is_looked_at(
    tmp_path: Path, data: bytes
) -> None:
    (tmp_path / run_notes.NAME).write_bytes(data)

    assert "what was found before is not known" in troubles(tmp_path, HOUR)[-1]
    run_notes.change(tmp_path, NOW, since="2026-12-05T12:00:00Z", failed="x")
    run_notes.note_findings(tmp_path, NOW, (), part=3)
    assert "what was found before is not known" in troubles(tmp_path, HOUR)[-1]
    run_notes.note_findings(tmp_path, NOW, (), part=0)
    assert troubles(tmp_path, HOUR) == []


def test_what_one_part_has_shown_stays_until_all_is_read(tmp_path: Path) -> None:
    run_notes.change(tmp_path, NOW)
    for part, found in ((1, ("pack ab is missing",)), (2, ()), (3, ("pack cd is missing",))):
        run_notes.note_findings(tmp_path, NOW, found, part=part)
    notes = run_notes.load(tmp_path)
    assert notes is not None
    assert (notes.part, notes.findings) == (3, ("pack ab is missing", "pack cd is missing"))

    run_notes.note_findings(tmp_path, NOW, (), part=0)

    notes = run_notes.load(tmp_path)
    assert notes is not None
    assert (notes.part, notes.findings) == (3, ())


def test_two_that_change_the_notes_at_once_lose_nothing(tmp_path: Path) -> None:
    run_notes.change(tmp_path, NOW)

    def note(name: str) -> None:
        for count in range(50):
            run_notes.change(tmp_path, NOW, **{name: str(count)})

    threads = [threading.Thread(target=note, args=(name,)) for name in ("failed", "do")]
    for one in threads:
        one.start()
    for one in threads:
        one.join()

    notes = run_notes.load(tmp_path)
    assert notes is not None
    assert (notes.failed, notes.do) == ("49", "49")


@pytest.mark.parametrize("since", ["", "yesterday", "2026-99-99T00:00:00Z"])
def test_a_date_that_is_none_is_long_ago(tmp_path: Path, since: str) -> None:
    run_notes.save(tmp_path, run_notes.RunNotes(since=since))

    assert len(troubles(tmp_path, HOUR)) == 1
