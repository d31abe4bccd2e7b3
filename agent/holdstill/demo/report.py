"""What a demonstration found: measured numbers only."""

from __future__ import annotations

from holdstill.model.layout import Record
from holdstill.workflow.capture_report import CaptureReport
from holdstill.workflow.rebuild import RebuildReport


class Day(Record, frozen=True, kw_only=True):
    """What was done to the board between the two captures, beside what its gauge wrote.

    Attributes:
        added_bytes: of the files that were added.
    """

    added: int
    added_bytes: int
    renamed: int
    removed: int
    edited: int


class RebuiltCard(Record, frozen=True, kw_only=True):
    """One image that was made from the newest capture.

    Attributes:
        name: what it shows.
        done: how the rebuild went, and the comparison with the capture that ends it.
        broken: promises of the gauge that its files on the card do not keep.
        newest_reading: of the gauge on the card.
    """

    name: str
    done: RebuildReport
    broken: tuple[str, ...]
    newest_reading: int


class DemoReport(Record, frozen=True, kw_only=True):
    """The whole demonstration.

    Attributes:
        device: the card's loop device, "" for a plain directory.
        entries: on the board, at first.
        newest_reading: of the board's own gauge, after the rebuilds.
        taken_out: what the file that was taken out holds.
        set_up_seconds: making the board and the keeper.
        seconds: everything after that.
        shortcoming: why it was a plain directory, "" if it was not.
        kept: the folder that stays, "" for none.
    """

    device: str
    keeper: str
    entries: int
    first: CaptureReport
    day: Day
    second: CaptureReport
    rebuilt: tuple[RebuiltCard, ...]
    newest_reading: int
    taken_out: str
    set_up_seconds: float
    seconds: float
    shortcoming: str = ""
    kept: str = ""
