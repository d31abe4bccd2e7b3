"""The command `holdstill demo`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import consoles, options
from holdstill.cli.columns import Column, Table
from holdstill.demo import scenario
from holdstill.demo.scenario import DemoDependencies
from holdstill.model.sizes import human
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner

if TYPE_CHECKING:
    from holdstill.cli.consoles import Console
    from holdstill.demo.report import DemoReport
    from holdstill.workflow.capture_report import PartReport


@click.command("demo", short_help="Show the main job on a board of its own.")
@click.option(
    "--keep",
    type=click.Path(path_type=Path, file_okay=False),
    help="Work in this new folder and leave store and images there, to look at.",
)
@click.option("--plain", is_flag=True, help="Do without root: a plain directory is the board.")
@options.json_option
def command(keep: Path | None, *, plain: bool, as_json: bool) -> None:
    r"""Show the main job from end to end, on a small board made for it.

    A tide gauge writes while its board is captured over SSH, changed, captured again and rebuilt
    onto a smaller and a larger card. Touches no disk of yours, and leaves nothing behind.

    \b
    Example:
      holdstill demo --keep /var/tmp/pier-3
    """
    out = consoles.console(is_error=True) if as_json else consoles.console()
    means = DemoDependencies(LocalRunner(), SystemClock(), out)
    report = scenario.run_demo(means, keep=keep, shortcoming="not wanted" if plain else "")
    if as_json:
        options.print_json(report)
        return
    out.print()
    where = f"a card on {report.device}" if report.device else "a plain directory"
    out.print(f"The board pier-3: {where}, {report.entries:,} files and more")
    _show_captures(report, out)
    _show_cards(report, out)
    out.print(f"Taken out of the newest capture: {scenario.TAKEN_OUT}, with these lines:")
    out.print(f"  {report.taken_out.splitlines()[-1]}")
    out.print()
    out.print(f"Set up in {report.set_up_seconds:.0f} s, all the rest {report.seconds:.0f} s")
    if report.shortcoming:
        out.print(
            f"The board was a plain directory ({report.shortcoming}), copied live: nothing was "
            "held still, and parts of the copy may be of different moments.",
            style="yellow",
        )
    if report.kept:
        out.print(f"Store, images and settings stay in {report.kept}")


def _show_captures(report: DemoReport, out: Console) -> None:
    rows = Table(
        Column(""), Column("first capture", is_number=True),
        Column("after a day's changes", is_number=True),
    )  # fmt: skip
    both = (report.first, report.second)
    for title, cells in (
        ("capture", [c.name for c in both]),
        ("grade of the root", [root_grade(c.parts) for c in both]),
        ("board held still for", [f"{c.frozen_ms:.0f} ms" for c in both]),
        ("hot rounds before", [str(c.rounds) for c in both]),
        ("read and hashed", [human(c.hashed_bytes) for c in both]),
        ("sent over the wire", [human(c.wire_bytes) for c in both]),
        ("new in the store", [human(c.new_bytes) for c in both]),
        ("took", [f"{c.seconds:.1f} s" for c in both]),
    ):
        rows.add_row(title, *cells)
    out.print(rows)
    day = report.day
    out.print(
        f"In between: {day.added} files added ({human(day.added_bytes)}), {day.renamed} of them "
        f"renamed, {day.removed} removed, {day.edited} changed; and the gauge wrote all the time"
    )
    out.print()


def _show_cards(report: DemoReport, out: Console) -> None:
    columns = [f"{card.name}: {human(card.done.size)}" for card in report.rebuilt]
    rows = Table(
        Column("rebuilt from the newest"), *(Column(name, is_number=True) for name in columns)
    )
    for title, cells in (
        ("rebuilt and read back in", [f"{card.done.seconds:.1f} s" for card in report.rebuilt]),
        ("of that reading back", [f"{c.done.verify_seconds:.1f} s" for c in report.rebuilt]),
        (
            "entries as captured",
            [f"{card.done.checked_entries:,} of {card.done.entries:,}" for card in report.rebuilt],
        ),
        (
            "the gauge's promises",
            [f"{len(c.broken)} broken" if c.broken else "all kept" for c in report.rebuilt],
        ),
        ("its newest reading", [str(card.newest_reading) for card in report.rebuilt]),
    ):
        rows.add_row(title, *cells)
    out.print(rows)
    out.print(f"Meanwhile the gauge of the board itself went on to {report.newest_reading}")
    broken = [text.partition(": ")[0] for card in report.rebuilt for text in card.broken]
    for promise in dict.fromkeys(broken):
        out.print(f"broken: {promise}", style="yellow")
    out.print()


def root_grade(parts: tuple[PartReport, ...]) -> str:
    """Return the grade of the root file system."""
    return next(part.grade for part in parts if part.place == "/")
