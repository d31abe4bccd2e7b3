"""The command `holdstill compare`."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import click

from holdstill.cli import completion, consoles, open_capture, options, tables
from holdstill.errors import UsageError
from holdstill.model.layout import part_words
from holdstill.model.sizes import human
from holdstill.workflow import (
    capture_ref,
    capture_scope,
    compare,
    compare_entries,
    compare_sources,
)
from holdstill.workflow.compare_entries import ChangeKind, CompareOptions

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.cli.consoles import Console
    from holdstill.workflow.capture_scope import CaptureScope
    from holdstill.workflow.compare import Comparison
    from holdstill.workflow.compare_entries import Change
    from holdstill.workflow.compare_sources import CompareSource


_SIGNS = {
    ChangeKind.ADDED: "+",
    ChangeKind.REMOVED: "-",
    ChangeKind.CONTENT: "~",
    ChangeKind.METADATA: "m",
    ChangeKind.TIME: "t",
}
_WORDS = {
    ChangeKind.ADDED: "added",
    ChangeKind.REMOVED: "removed",
    ChangeKind.CONTENT: "with other content",
    ChangeKind.METADATA: "with other owner, mode or attributes",
    ChangeKind.TIME: "with another time only",
}


@click.command("compare", short_help="Show what changed between captures.")
@click.argument(
    "before",
    metavar="[BOARD[/CAPTURE]]",
    shell_complete=completion.captures,
    required=False,
    default="",
)
@click.argument(
    "after",
    metavar="[BOARD[/CAPTURE]]",
    shell_complete=completion.captures,
    required=False,
    default="",
)
@click.option("--live", is_flag=True, help="Compare with this board as it is now.")
@click.option("--times", is_flag=True, help="List also what differs in its time only.")
@click.option(
    "--list", "listed", type=click.IntRange(min=0), default=compare_entries.LISTED,
    show_default=True,
    help="Most changes of a partition to list; all are counted.",
)  # fmt: skip
@options.settings_option(options.BOARD_SETTINGS)
@options.store_option
@options.access_options
@options.json_option
def command(
    before: str,
    after: str,
    *,
    live: bool,
    times: bool,
    listed: int,
    settings_path: Path,
    store_address: str | None,
    as_json: bool,
) -> None:
    r"""Show what changed between two captures, or between a capture and this board as it is now.

    Without a second capture, the newest good one of the same board is meant. With --live and no
    capture at all, the board is compared with its own memory of its last capture; that needs no
    store. What is not of files is compared as well: partition tables, boot gaps, areas of an eMMC,
    and partitions that are copied as they are, of which --live reads every byte.

    \b
    Examples:
      holdstill compare pier-3/41 pier-3/42 --store /srv/holdstill
      holdstill compare pier-3/000041 --json
      holdstill compare --live
      holdstill compare pier-3 --live --store ssh://keeper@boathouse
    """
    wish = CompareOptions(listed, frozenset() if times else frozenset({ChangeKind.TIME}))
    with ExitStack() as undo:
        scene = (
            capture_scope.survey_board(options.read_board_settings(settings_path))
            if live
            else None
        )
        left, right = _sides(before, after, scene, store_address)
        old, new = undo.enter_context(left), undo.enter_context(right)
        if not after and old.name == new.name:
            board = old.name.partition("/")[0]
            raise UsageError(
                f"{old.name} is the newest good capture, and would be compared with itself",
                hint=f"name an older one, such as `holdstill compare {board}/N`: `holdstill list "
                f"{board}` lists them; --live compares it with this board as it is now",
            )
        found = compare.compare(old, new, wish)
    if as_json:
        options.print_json(found)
        return
    _show(found, consoles.console())


def _sides(
    before: str, after: str, scene: CaptureScope | None, store_address: str | None
) -> tuple[AbstractContextManager[CompareSource], AbstractContextManager[CompareSource]]:
    if scene is not None:
        if after:
            raise UsageError("--live is the second side", hint="name one capture at most")
        state = scene.settings.state
        known = (
            _captured(before, store_address)
            if before
            else compare_sources.remembered(scene, state)
        )
        return known, compare_sources.live(scene)
    if not before:
        raise UsageError(
            "which captures?", hint="name one or two as BOARD/CAPTURE, or give --live"
        )
    return _captured(before, store_address), _captured(
        after or before.partition("/")[0], store_address
    )


@contextmanager
def _captured(reference: str, store_address: str | None) -> Iterator[CompareSource]:
    with (
        open_capture.capture(store_address, reference) as stored,
        compare_sources.captured(capture_ref.trusted(stored)) as side,
    ):
        yield side


def _show(found: Comparison, out: Console) -> None:
    out.print(f"From {found.before} to {found.after}:")
    for text in found.card:
        out.print(f"  {text}")
    for part in found.parts:
        words = [
            f"{part.counts[kind]:,} {_WORDS[kind]}" for kind in ChangeKind if part.counts[kind]
        ]
        out.print()
        out.print(
            f"Partition {part_words(part.number)} ({part.place or 'not mounted'}), "
            f"{human(part.bytes_before)} -> {human(part.bytes_after)}: "
            + (", ".join(words) or "nothing changed")
        )
        for change in part.changes:
            out.print(f"  {_SIGNS[change.kind]} {change.path}{_detail(change)}")
        if part.unlisted:
            out.print(f"  and {part.unlisted:,} more; --list N lists more")
    _show_packages(found, out)
    tables.warnings(found.troubles, out)
    for text in found.not_compared:
        out.print(f"not compared: {text}", style="yellow")
    if found.is_same and found.is_complete:
        out.print("nothing differs but times")
    elif found.is_same:
        out.print("Of what was compared, only times may differ")


def _detail(change: Change) -> str:
    match change.kind:
        case ChangeKind.ADDED:
            return f"  ({human(change.size_after)})"
        case ChangeKind.REMOVED:
            return f"  ({human(change.size_before)})"
        case ChangeKind.CONTENT:
            return f"  ({human(change.size_before)} -> {human(change.size_after)})"
        case _:
            return f"  ({', '.join(change.fields)})"


def _show_packages(found: Comparison, out: Console) -> None:
    out.print()
    if found.packages is None:
        out.print("Packages: not compared, since one side has no list of them, or too long a one")
        return
    out.print(f"Packages: {len(found.packages)} changed" if found.packages else "Packages: same")
    for line in _package_lines(found):
        out.print(f"  {line}")


def _package_lines(found: Comparison) -> Iterator[str]:
    for package in found.packages or ():
        if package.before and package.after:
            yield f"{package.name}  {package.before} -> {package.after}"
        elif package.after:
            yield f"+ {package.name}  {package.after}"
        else:
            yield f"- {package.name}  {package.before}"
