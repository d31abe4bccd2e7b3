"""Numbers for machines, in Prometheus' text format.

Pure, but for `publish`. The file is for the node exporter's textfile collector.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from holdstill.model.foreign_text import printable
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from holdstill.model.nightly_state import NightlyState


@dataclass(frozen=True)
class Family:
    """One metric: a gauge with a sample for each board.

    Attributes:
        name: letters, digits and underscores.
        help: what it is, in one sentence.
        samples: a value for each board; that of "" is of no board.
    """

    name: str
    help: str
    samples: Mapping[str, float] = field(default_factory=dict)


def about_board(board: str, state: NightlyState, *, due: datetime | None) -> tuple[Family, ...]:
    """Return a board's metrics."""
    values: list[tuple[str, str, float]] = []
    if state.last is not None:
        of_run = [
            ("last_run_exit_code", "Exit code of the last run.", float(state.last.code)),
            ("last_run_timestamp_seconds", "When the last run ended.", _seconds(state.last.at)),
        ]
        values += of_run
    if state.good is not None:
        of_capture = [
            (
                "last_capture_timestamp_seconds",
                "When the last was sealed.",
                _seconds(state.good.at),
            ),
            (
                "last_capture_frozen_seconds",
                "How long it was held frozen.",
                state.good.frozen_ms / 1000,
            ),
            ("last_capture_duration_seconds", "How long the run took.", state.good.seconds),
            (
                "last_capture_new_bytes",
                "Bytes that were new in the store.",
                float(state.good.new_bytes),
            ),
            ("last_capture_wire_bytes", "Bytes sent over the wire.", float(state.good.wire_bytes)),
        ]
        values += of_capture
    if due is not None:
        values.append(("next_run_timestamp_seconds", "When the next is due.", due.timestamp()))
    in_trouble = float(bool(state.trouble.reported))
    values.append(("in_trouble", "1 while an incident is open.", in_trouble))
    return tuple(Family(f"holdstill_{name}", text, {board: at}) for name, text, at in values)


def _seconds(at: str) -> float:
    return datetime.fromisoformat(at).timestamp()


def rendered(families: Sequence[Family]) -> bytes:
    """Return the text of these metrics; those without samples are left out."""
    return "".join(map(_lines, (family for family in families if family.samples))).encode()


def _lines(family: Family) -> str:
    lines = [f"# HELP {family.name} {_escaped(family.help)}", f"# TYPE {family.name} gauge"]
    for board, value in family.samples.items():
        label = _escaped(board).replace('"', '\\"')
        of_board = f'{{board="{label}"}}' if board else ""
        lines.append(f"{family.name}{of_board} {value!r}")
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    """Write a label's value: first fit to be shown, then as the format wants it."""
    return printable(text).replace("\\", "\\\\").replace("\n", "\\n")


def publish(path: Path, text: bytes) -> None:
    """Make the file hold these metrics, if it does not already; others may read it."""
    try:
        if path.read_bytes() == text:
            return  # cards wear
    except FileNotFoundError:
        pass
    files.publish(path, text)
    path.chmod(0o644)  # a service's umask would keep the exporter out
