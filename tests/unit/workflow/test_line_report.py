from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from holdstill.cli import options
from holdstill.model.line_settings import Compress, LineSettings
from holdstill.model.settings import BoardSettings
from holdstill.model.sizes import ByteSize
from holdstill.model.store_address import FolderAddress, HostAddress
from holdstill.workflow import board_state, line_report
from holdstill.workflow.board_state import LineSeen

if TYPE_CHECKING:
    from pathlib import Path

NOON = datetime(2026, 11, 30, 12, 0, tzinfo=UTC)
KIB = 1 << 10


def settings(state: Path, line: LineSettings = LineSettings()) -> BoardSettings:  # noqa: B008
    return BoardSettings(
        board="pier-3", keeper=HostAddress("keeper", "boathouse"), state=state, line=line
    )


def test_before_the_first_capture_it_says_that_nothing_is_known(tmp_path: Path) -> None:
    found = line_report.read(settings(tmp_path), NOON)

    assert found is not None
    assert (found.rate, found.night_seconds) == (0, 0)
    assert found.words == (
        "not measured yet: the first capture that sends more than a little measures it; "
        "no limit is set"
    )


def test_the_limit_of_the_night_says_what_a_night_takes(tmp_path: Path) -> None:
    with board_state.opened(tmp_path) as state:
        state.save_line(
            LineSeen(rate=128 * KIB, at="2026-11-29T02:40:00Z", sent=60 * 64 * KIB,
                     compressed=900 * KIB, compressed_to=300 * KIB)
        )  # fmt: skip
    line = LineSettings(limit=ByteSize(64 * KIB), hours={"07:00-22:00": ByteSize(16 * KIB)})

    found = line_report.read(settings(tmp_path, line), NOON)

    assert found is not None
    assert (found.limit, found.limit_at_night, found.night_seconds) == (16 * KIB, 64 * KIB, 60.0)
    assert found.compress is Compress.AUTO
    assert json.loads(options.as_json(found))["limit"] == 16 * KIB
    assert found.words == (
        "128.0 KiB/s, measured 2026-11-29T02:40:00Z; limit now 16.0 KiB/s, at night 64.0 KiB/s; "
        "a night that sends 3.8 MiB, as the last one, takes 0:01:00; "
        "compressed (auto): 900.0 KiB of the last capture became 300.0 KiB"
    )


def test_a_line_slower_than_its_limit_decides(tmp_path: Path) -> None:
    with board_state.opened(tmp_path) as state:
        state.save_line(LineSeen(rate=KIB, at="2026-11-29T02:40:00Z", sent=90 * KIB))

    found = line_report.read(settings(tmp_path, LineSettings(limit=ByteSize(64 * KIB))), NOON)

    assert found is not None
    assert found.night_seconds == 90.0


def test_a_directory_has_no_line(tmp_path: Path) -> None:
    here = BoardSettings(board="pier-3", keeper=FolderAddress(tmp_path), state=tmp_path)

    assert line_report.read(here, NOON) is None
