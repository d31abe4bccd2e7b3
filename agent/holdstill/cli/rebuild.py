"""The command `holdstill rebuild`."""

from __future__ import annotations

import sys
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec
from rich.console import Console

from holdstill.cli import open_capture, options, progress, tables
from holdstill.errors import DegradedError, TargetRefusedError, UsageError
from holdstill.model import sizes
from holdstill.model.layout import Record
from holdstill.rebuild import block_device, compressed_image, device_safety
from holdstill.rebuild.device_safety import Confirmation
from holdstill.rebuild.planner import Plan
from holdstill.rebuild.target import Existing
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, plan_rebuild, skip_damaged
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild import RebuildDependencies

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.rebuild.target import Target
    from holdstill.workflow.ports import Progress
    from holdstill.workflow.rebuild import RebuildReport, RebuildSource
    from holdstill.workflow.remote_capture import RemoteCapture


@dataclass(frozen=True)
class Goal:
    """What is to be written."""

    path: Path
    size: int
    existing: Existing
    consent: Confirmation

    @property
    def is_device(self) -> bool:
        """Whether it is a card and not an image."""
        return self.path.is_block_device()


@click.command("rebuild", short_help="Write a capture to a card or an image.")
@click.argument("capture", metavar="BOARD[/CAPTURE]")
@click.argument("target", type=click.Path(path_type=Path, readable=False))
@click.option("--size", help="Size of the image, such as 8G. Default: that of the captured card.")
@click.option("--grow", type=int, help="Partition that gives or takes. Default: the last one.")
@click.option("--leave-free", default="0", help="Leave so much of the target unused.")
@click.option("--as", "sibling", help="Make another board of this name: new ids, keys, hostname.")
@click.option("--replace", is_flag=True, help="Replace an image file that exists.")
@click.option("--confirm", default="", help="The card's serial or size in bytes, for scripts.")
@click.option("--again", default="", help="The same again, for a device that is unlike a card.")
@click.option("--largest", default="512G", help="Size above which a card is named twice.")
@click.option("--dry-run", is_flag=True, help="Say what would be done; write nothing.")
@click.option(
    "--despite-faults",
    is_flag=True,
    help="Use a capture that was altered, is unsigned or incomplete. It may be an attacker's.",
)
@click.option(
    "--leave-out-damaged",
    is_flag=True,
    help="Leave out files whose contents are damaged in the store, and list them.",
)
@options.store_option
@options.access_options
@options.json_option
def command(
    capture: str,
    target: Path,
    *,
    size: str | None,
    grow: int | None,
    leave_free: str,
    sibling: str | None,
    replace: bool,
    confirm: str,
    again: str,
    largest: str,
    dry_run: bool,
    despite_faults: bool,
    leave_out_damaged: bool,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Rebuild a capture as a bootable card or image, and read all of it back.

    TARGET is an image file (.img, .img.zst, .img.xz) or a card's device (/dev/sdX, /dev/mmcblkN).

    EVERYTHING ON THE CARD IS LOST. It is refused if it is mounted or in use, holds the running
    system, or is not named by its serial or size. Shut a board down before you pull its card.

    Exit code 8: it was written and read back, but it cannot boot as it is, or files are left out
    (with --dry-run: would be).

    \b
    Examples:
      holdstill rebuild pier-3 pier-3.img --size 8G
      holdstill rebuild pier-3/000042 /dev/sdb
      holdstill rebuild pier-3 /dev/sdb --as pier-4
      holdstill rebuild pier-3 /dev/sdb --store ssh://keeper@boathouse --key board_key \
          --host-keys known_hosts
    """
    goal = _goal(
        target.absolute(),
        size,
        Existing.REPLACE if replace else Existing.KEEP,
        Confirmation(confirm, again, sizes.parse_size(largest)),
    )
    wish = PlanOptions(grow=grow, leave_free=sizes.parse_size(leave_free))
    if leave_out_damaged and open_capture.host(store_address):
        raise UsageError(
            "--leave-out-damaged reads every content first, and they are elsewhere",
            hint="run it at the keeper, into an image; then write that to the card",
        )
    with ExitStack() as undo:
        stored = undo.enter_context(open_capture.capture(store_address, capture))
        _judge(stored, despite_faults=despite_faults)
        source = undo.enter_context(
            workflow_rebuild.opened(stored, str(stored.name), ahead=open_capture.ahead(stored))
        )
        teller = undo.enter_context(progress.telling(Console(stderr=True)))
        variant = _varied(source, sibling, teller, leave_out_damaged=leave_out_damaged)
        done = _rebuild(variant, goal, wish, teller, dry_run=dry_run)
    if as_json:
        options.print_json(done)
    elif isinstance(done, Proposal):
        tables.plan(done.plan, done.changes, done.left_out, tables.console())
    else:
        tables.rebuild_report(done, tables.console())
    is_whole = not done.left_out and (isinstance(done, Proposal) or done.bootable)
    return 0 if is_whole else DegradedError.exit_code


@dataclass(frozen=True)
class Variant:
    """A capture as it is to be rebuilt.

    Attributes:
        changes: what is otherwise than on the captured card, because it is a sibling.
        left_out: files that are missing, because they are damaged.
    """

    source: RebuildSource
    changes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


class Proposal(Record, frozen=True, kw_only=True):
    """What a rebuild would do.

    Attributes:
        plan: its steps.
        changes: what would be otherwise than on the captured card, because it is a sibling.
        left_out: files that would be missing, because they are damaged.
    """

    plan: Plan
    changes: tuple[str, ...]
    left_out: tuple[str, ...]


def _varied(
    source: RebuildSource, sibling: str | None, teller: Progress, *, leave_out_damaged: bool
) -> Variant:
    changes: tuple[str, ...] = ()
    gone = skip_damaged.damaged(source, teller) if leave_out_damaged else {}
    source = skip_damaged.without(source, gone)
    if sibling:
        source, changes = workflow_rebuild.sibling(source, sibling, LocalRunner())
    return Variant(source, changes, skip_damaged.told(source, gone))


def _judge(stored: StoredCapture | RemoteCapture, *, despite_faults: bool) -> None:
    if not despite_faults:
        capture_ref.trusted(stored)
        return
    for fault in stored.faults:
        click.echo(f"warning: used despite a fault: {fault}", err=True)


_OTHER_PACKINGS = frozenset({".gz", ".bz2", ".zip", ".7z", ".lz4", ".lzma", ".rar"})
"""Endings that promise what would not be inside; any other one may name a plain image."""


def _goal(path: Path, size: str | None, existing: Existing, consent: Confirmation) -> Goal:
    if not path.is_block_device() and path.is_relative_to("/dev"):
        raise TargetRefusedError(f"there is no device {path}", hint="is the card in? see `lsblk`")
    if path.suffix.lower() in _OTHER_PACKINGS:
        raise UsageError(
            f"{path.name}: images are not packed as {path.suffix}",
            hint="name it .img, .img.zst or .img.xz",
        )
    if size and path.is_block_device():
        raise UsageError("--size is for images", hint="a card has the size that it has")
    wanted = sizes.parse_size(size) if size else 0
    if size and not wanted:
        raise UsageError("an image of no size?", hint="leave --size out for that of the card")
    return Goal(path, wanted, existing, consent)


def _rebuild(
    variant: Variant, goal: Goal, wish: PlanOptions, teller: Progress, *, dry_run: bool
) -> RebuildReport | Proposal:
    machine, source = LocalRunner(), variant.source
    goal = _sized(goal, source)
    plan = plan_rebuild.plan_rebuild(
        source, size=goal.size, wish=wish, machine=machine, step=teller.step
    )
    if dry_run:
        return Proposal(plan=plan, changes=variant.changes, left_out=variant.left_out)
    tables.left_out(variant.left_out, Console(stderr=True, highlight=False, markup=False))
    with _claimed(goal, plan) as target:
        means = RebuildDependencies(machine, SystemClock(), teller)
        report = workflow_rebuild.carry_out_on(target, plan, source, means)
    return msgspec.structs.replace(report, changes=variant.changes, left_out=variant.left_out)


def _sized(goal: Goal, source: RebuildSource) -> Goal:
    """Fill in the size: the card's own, or that of the captured card."""
    if goal.is_device:
        return replace(goal, size=block_device.inspect_device(goal.path, LocalRunner()).size)
    return replace(goal, size=goal.size or source.manifest.disk.size)


@contextmanager
def _claimed(goal: Goal, plan: Plan) -> Iterator[Target]:
    """Hold the target, after whoever is there has agreed to lose what is on it."""
    if not goal.is_device:
        with compressed_image.claimed_image(
            goal.path, size=goal.size, existing=goal.existing
        ) as image:
            yield image
        return
    machine = LocalRunner()
    consent = goal.consent if goal.consent.token else _asked(goal, machine)
    with device_safety.claimed_device(
        goal.path, needed=plan.disk.size, consent=consent, machine=machine
    ) as device:
        yield device


def _asked(goal: Goal, machine: LocalRunner) -> Confirmation:
    """Ask in a terminal for the card's serial or size; in scripts, --confirm says it."""
    device = block_device.inspect_device(goal.path, machine)
    if not sys.stdin.isatty():
        return goal.consent
    click.echo(device.describe(), err=True)
    click.echo("EVERYTHING ON IT WILL BE LOST.", err=True)
    word = click.prompt(f"Type {' or '.join(device.tokens)} to go on", default="", err=True)
    again = click.prompt("And once more, if that is really the card", default="", err=True)
    return replace(goal.consent, token=word, again=again)
