"""Find the capture that a person means, and the place in it that a path of the board means."""

from __future__ import annotations

import datetime
import os
import re
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, UsageError, VerificationError
from holdstill.keeper import board_captures
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names, protocol
from holdstill.records import capture_contents
from holdstill.workflow import unlisted_files

if TYPE_CHECKING:
    from holdstill.keeper.board_captures import Judged, StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.model.manifest import Attachment, CapturedPart, Manifest
    from holdstill.model.protocol import CaptureBrief
    from holdstill.system.process import Runner

_DIGITS = 9
"""Of a partition's number; more are no number that a manifest has."""


LATEST = "latest"
"""What means the newest good capture, where a person rather says so than leaves it out."""
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
"""A calendar date, extended format (ISO 8601-1, 5.2.2)."""
_NAMED = 3
"""How many captures are named to somebody who asked for one that is not there."""


def find(store: Store, reference: str, *, runner: Runner) -> StoredCapture:
    """Return the capture that BOARD or BOARD/CAPTURE means; BOARD alone is its newest good one.

    CAPTURE is a capture's name, its number, `latest` (as BOARD alone), or a date such as
    2026-11-29: the newest one of that day, as its name has it (UTC). The capture may have faults;
    whoever builds on it calls `trusted` first.

    Raises:
        UsageError: there is no such board or capture.
        VerificationError: none is named, and each one has a fault.
    """
    board, _, which = reference.partition("/")
    shelf = BoardCaptures(store, names.check_board(board), runner)
    return shelf.capture(chosen(shelf.briefs(), which, board).name)


def chosen(briefs: tuple[CaptureBrief, ...], which: str, board: str) -> CaptureBrief:
    """Return the capture of a list that a name, a number, a date or LATEST means.

    None, and LATEST, mean the newest good one. Of a day, too, one with faults or damaged contents
    is taken only when there is no other.

    Raises:
        UsageError: there is no such capture.
        VerificationError: none is named, and each one has a fault.
    """
    if which in {"", LATEST}:
        newest = protocol.newest_good(briefs)
        if newest is None:
            raise _none_good(board, briefs)
        return newest
    if _DATE.fullmatch(which):
        return _of_day(briefs, which, board)
    name = _full_name(briefs, which, board)
    for brief in briefs:
        if brief.name == name:
            return brief
    raise _no_such(briefs, which, board)


def passed_over(briefs: tuple[CaptureBrief, ...], which: str) -> tuple[str, ...]:
    """Return warnings of newer captures with faults, when the newest good one was meant."""
    if _DATE.fullmatch(which):
        briefs = tuple(brief for brief in briefs if _is_of_day(brief, which))
    elif which not in {"", LATEST}:
        return ()
    newer: list[str] = []
    for brief in reversed(briefs):
        if brief.is_whole:
            return tuple(newer)
        newer.append(f"{brief.name} is newer, but passed over: {'; '.join(brief.trouble)}")
    return ("no capture is without trouble: `holdstill list` tells what it is",)


def _is_of_day(brief: CaptureBrief, date: str) -> bool:
    return brief.name.partition("-")[2].startswith(date.replace("-", ""))


def _of_day(briefs: tuple[CaptureBrief, ...], date: str, board: str) -> CaptureBrief:
    """Return the newest capture of a day: one without trouble, if there is one.

    Raises:
        UsageError: that day has none, or there is no such day.
    """
    try:
        datetime.date.fromisoformat(date)
    except ValueError as error:
        raise UsageError(
            f"there is no day {date}",
            hint=f"write it as year-month-day; `holdstill list {board}` shows which have captures",
        ) from error
    found = [brief for brief in briefs if _is_of_day(brief, date)]
    if not found:
        days = sorted({_day(brief) for brief in briefs if not brief.faults})
        near = [*[day for day in days if day < date][-1:], *[d for d in days if d > date][:1]]
        raise UsageError(
            f"board {board} has no capture of {date}",
            hint=f"captures are named by UTC; nearest are those of {' and '.join(near)}"
            if near
            else "see `holdstill list`",
        )
    return ([brief for brief in found if brief.is_whole] or found)[-1]


def _day(brief: CaptureBrief) -> str:
    """Return the day in a capture's name, as 2026-11-29."""
    digits = brief.name.partition("-")[2][:8]
    return f"{digits[:4]}-{digits[4:6]}-{digits[6:]}"


def _none_good(board: str, briefs: tuple[CaptureBrief, ...]) -> HoldstillError:
    if not briefs:
        return UsageError(f"board {board} has no capture yet", hint="see `holdstill list`")
    return VerificationError(
        f"no good capture: each of the {len(briefs)} of board {board} has a fault",
        hint=f"`holdstill list {board}` lists which; `holdstill rebuild {board}/NUMBER TARGET "
        "--despite-faults` uses one all the same",
    )


def _full_name(briefs: tuple[CaptureBrief, ...], which: str, board: str) -> str:
    if which.isdecimal():
        for brief in briefs:
            if str(brief.seq) == which.lstrip("0"):
                return brief.name
        raise _no_such(briefs, which, board)
    return which


def _no_such(briefs: tuple[CaptureBrief, ...], which: str, board: str) -> UsageError:
    newest = ", ".join(brief.name for brief in briefs[-_NAMED:]) or "none"
    return UsageError(
        f"board {board} has no capture {which}; its newest: {newest}",
        hint=f"name one by its number, such as {board}/{briefs[-1].seq if briefs else 1}, or "
        f"leave it out for the newest good one; `holdstill list {board}` lists all",
    )


def trusted(capture: Judged) -> Judged:
    """Return a capture without faults.

    Raises:
        SecurityError, VerificationError: it has some.
    """
    return board_captures.check_good(capture)


def locate(manifest: Manifest, path: str) -> tuple[CapturedPart, bytes]:
    """Return the partition, and the path inside it, of an absolute path of the board.

    A path such as 1:/config.txt names the partition itself, which need not have been mounted.

    Raises:
        UsageError: the path is not absolute, or on no captured file system.
    """
    number, colon, rest = path.partition(":")
    if colon and number.isdecimal() and len(number) <= _DIGITS:
        return _numbered(manifest, int(number), rest.strip("/"))
    if not path.startswith("/"):
        raise UsageError(
            f"{path!r} is not a path of the board",
            hint="begin it with /, or with a partition and a colon, such as 1:/; an eMMC's areas "
            "have the names that `holdstill show` gives",
        )
    found = unlisted_files.nearest(manifest, path)
    if found is None:
        raise UsageError(f"{path} was on no captured file system", hint="see `holdstill show`")
    part, inside = found
    if not part.entries:
        why = unlisted_files.why(manifest, part)
        raise UsageError(f"{path} was in {why}", hint=unlisted_files.how(manifest, part))
    return part, inside


def beside_files(manifest: Manifest, name: str) -> Attachment | None:
    """Return what is beside the files under this name, such as boot0.bin; None for nothing."""
    attached = capture_contents.beside_index(manifest)
    return next((item for item in attached if item.name == name), None)


def below(manifest: Manifest, path: str) -> tuple[str, ...]:
    """Return where further captured file systems were mounted below a path of the board."""
    top = "/" + path.strip("/")
    return tuple(
        sorted(
            view.place
            for part in manifest.parts
            for view in part.seen
            if part.entries and view.place != top and view.place.startswith(f"{top.rstrip('/')}/")
        )
    )


def _numbered(manifest: Manifest, number: int, path: str) -> tuple[CapturedPart, bytes]:
    """Return the part that has a path of a partition: itself, or a subvolume in it."""
    trees = {one: kind.path for one, kind in manifest.subvolumes(number)}
    within = [one for one, top in trees.items() if path == top or path.startswith(f"{top}/")]
    tree = max(within, key=lambda one: len(trees[one]), default=number)
    inside = path[len(trees[tree]) :].strip("/") if within else path
    try:
        part = manifest.part(tree)
    except KeyError:
        part = None
    if part is None:
        there = ", ".join(str(each.number) for each in manifest.parts)
        raise UsageError(
            f"the capture has no partition {number}",
            hint=f"it has {there}; `holdstill show` says what each of them is",
        )
    if not part.entries:
        why = unlisted_files.why(manifest, part)
        raise UsageError(f"that is in {why}", hint=unlisted_files.how(manifest, part))
    return part, os.fsencode(inside)
