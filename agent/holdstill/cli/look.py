"""Commands that look at what became of a board: compare, audit."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import options, render, store
from holdstill.errors import UsageError
from holdstill.model.sizes import human
from holdstill.system.process import LocalRunner
from holdstill.workflow import compare as comparing
from holdstill.workflow import finding, sides
from holdstill.workflow import scene as scenes
from holdstill.workflow.compare import Kind, Wish

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

    from rich.console import Console

    from holdstill.workflow.compare import Change, Comparison, PartComparison
    from holdstill.workflow.scene import Scene
    from holdstill.workflow.sides import Side

_SIGNS = {
    Kind.ADDED: "+",
    Kind.REMOVED: "-",
    Kind.CONTENT: "~",
    Kind.METADATA: "m",
    Kind.TIME: "t",
}
_WORDS = {
    Kind.ADDED: "added",
    Kind.REMOVED: "removed",
    Kind.CONTENT: "with other content",
    Kind.METADATA: "with other owner, mode or attributes",
    Kind.TIME: "with another time only",
}


@click.command()
@click.argument("before", metavar="[BOARD[/CAPTURE]]", required=False, default="")
@click.argument("after", metavar="[BOARD[/CAPTURE]]", required=False, default="")
@click.option("--live", is_flag=True, help="Compare with this board as it is now.")
@click.option("--times", is_flag=True, help="List also what differs in its time only.")
@click.option(
    "--list", "listed", type=click.IntRange(min=0), default=comparing.LISTED, show_default=True,
    help="Most changes of a partition to list; all are counted.",
)  # fmt: skip
@options.settings_option(options.BOARD_SETTINGS)
@options.store_option
@options.json_option
def compare(
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
    r"""Say what changed between two captures, or between a capture and this board as it is now.

    Without a second capture, the newest good one of the same board is meant. With --live and no
    capture at all, the board is compared with its own memory of its last capture; that needs no
    store.

    \b
    Examples:
      holdstill compare pier-3/41 pier-3/42 --store /srv/holdstill
      holdstill compare pier-3/000041 --json
      holdstill compare --live
      holdstill compare pier-3 --live --store /mnt/usb/captures
    """
    wish = Wish(listed, frozenset() if times else frozenset({Kind.TIME}))
    with ExitStack() as undo:
        scene = scenes.look(options.read_board_settings(settings_path)) if live else None
        left, right = _sides(before, after, scene, store_address)
        found = comparing.compare(undo.enter_context(left), undo.enter_context(right), wish)
    if as_json:
        options.print_json(found)
        return
    _show(found, render.console())


def _sides(
    before: str, after: str, scene: Scene | None, store_address: str | None
) -> tuple[AbstractContextManager[Side], AbstractContextManager[Side]]:
    if scene is not None:
        if after:
            raise UsageError("--live is the second side", hint="name one capture at most")
        state = Path(scene.settings.state)
        known = _captured(before, store_address) if before else sides.remembered(scene, state)
        return known, sides.live(scene)
    if not before:
        raise UsageError(
            "which captures?", hint="name one or two as BOARD/CAPTURE, or give --live"
        )
    return _captured(before, store_address), _captured(
        after or before.partition("/")[0], store_address
    )


def _captured(reference: str, store_address: str | None) -> AbstractContextManager[Side]:
    opened = store.open_local(store_address)
    return sides.captured(finding.trusted(finding.find(opened, reference, runner=LocalRunner())))


def _show(found: Comparison, out: Console) -> None:
    out.print(f"From {found.before} to {found.after}:")
    for text in found.card:
        out.print(f"  {text}")
    for part in found.parts:
        _show_part(part, out)
    _show_packages(found, out)
    render.warnings(found.troubles, out)
    if found.is_same:
        out.print("nothing differs but times")


def _show_part(part: PartComparison, out: Console) -> None:
    words = [f"{part.counts[kind]:,} {_WORDS[kind]}" for kind in Kind if part.counts[kind]]
    out.print()
    out.print(
        f"Partition {part.number} ({part.place or 'not mounted'}), "
        f"{human(part.bytes_before)} -> {human(part.bytes_after)}: "
        + (", ".join(words) or "nothing changed")
    )
    for change in part.changes:
        out.print(f"  {_SIGNS[change.kind]} {change.path}{_detail(change)}")
    if part.unlisted:
        out.print(f"  and {part.unlisted:,} more; --list N lists more")


def _detail(change: Change) -> str:
    match change.kind:
        case Kind.ADDED:
            return f"  ({human(change.size_after)})"
        case Kind.REMOVED:
            return f"  ({human(change.size_before)})"
        case Kind.CONTENT:
            return f"  ({human(change.size_before)} -> {human(change.size_after)})"
        case _:
            return f"  ({', '.join(change.fields)})"


def _show_packages(found: Comparison, out: Console) -> None:
    out.print()
    if found.packages is None:
        out.print("Packages: not compared, since one side does not tell them")
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


COMMANDS = (compare,)
