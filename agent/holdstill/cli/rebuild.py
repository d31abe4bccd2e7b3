"""The command `holdstill rebuild`."""

from __future__ import annotations

import codecs
import dataclasses
import functools
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from holdstill.cli import completion, consoles, open_capture, options, progress, tables, terminal
from holdstill.errors import DegradedError, TargetRefusedError, UsageError
from holdstill.model import sizes
from holdstill.rebuild import compressed_image
from holdstill.rebuild.device_safety import Confirmation
from holdstill.rebuild.rebuild_target import Existing
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild import Proposal, RebuildOptions, propose, rebuild
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.rebuild_goal import CardGoal, ImageGoal

if TYPE_CHECKING:
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.rebuild.block_device import BlockDevice
    from holdstill.workflow.rebuild import RebuildGoal


_DELETE = 0x7F


@click.command("rebuild", short_help="Write a capture to a card or an image.")
@click.argument("capture", metavar="BOARD[/CAPTURE]", shell_complete=completion.captures)
@click.argument(
    "target", type=click.Path(path_type=Path, readable=False), shell_complete=completion.disks
)
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
    "--boot-areas",
    is_flag=True,
    help="Write an eMMC's boot areas, too. Those of another board can keep it from starting.",
)
@click.option(
    "--passphrase-file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="What will unlock encrypted containers, in a file. Default: asked for, twice.",
)
@click.option(
    "--plain",
    is_flag=True,
    help="Write what is in encrypted containers UNENCRYPTED, readable by whoever has the card.",
)
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
@options.disk_option
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
    boot_areas: bool,
    passphrase_file: Path | None,
    plain: bool,
    despite_faults: bool,
    leave_out_damaged: bool,
    disk: int | Literal["all"] | None,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Rebuild a capture as a bootable card or image, and read all of it back.

    TARGET is an image file (.img, .img.zst, .img.xz, .img.zip) or a card's device (/dev/sdX,
    /dev/mmcblkN).

    EVERYTHING ON THE CARD IS LOST. It is refused if it is mounted or in use, holds the running
    system, or is not named by its serial or size. Shut a board down before you pull its card.

    A board with several disks gets each on a target of its own (--disk 1, then --disk 2), or all
    of them on one larger one (--disk all), which boots if its firmware can start from that.

    An encrypted container gets a new key, and a passphrase that is asked for. --plain writes what
    is in it unencrypted instead, and has crypttab, fstab and the kernel's command line follow.

    An eMMC's boot areas are left alone, and what to do by hand is told: with a boot loader that
    does not fit, a board may never start again. --boot-areas writes them to /dev/mmcblkNboot0, ...

    Exit code 8: it was written and read back, but it cannot boot as it is, files are left out, or
    the capture lacks something of the board (with --dry-run: would be).

    \b
    Examples:
      holdstill rebuild pier-3 pier-3.img --size 8G
      holdstill rebuild pier-3/000042 /dev/sdb
      holdstill rebuild pier-3 /dev/sdb --as pier-4
      holdstill rebuild pier-3 /dev/sdb --disk 2
      holdstill rebuild pier-3 /dev/sdb --store ssh://keeper@boathouse \
        --key board_key --host-keys known_hosts
    """
    consent = Confirmation(confirm, again, sizes.parse_size(largest, "--largest"))
    _check_sense(capture, target, consent, is_plain_given=plain and passphrase_file is not None)
    existing = Existing.REPLACE if replace else Existing.KEEP
    goal = _goal(target.absolute(), size, existing, consent)
    wish = RebuildOptions(
        PlanOptions(grow=grow, leave_free=sizes.parse_size(leave_free, "--leave-free")),
        disk=disk,
        sibling=sibling or "",
        leave_out_damaged=leave_out_damaged,
        boot_areas=boot_areas,
        plain=plain,
    )
    elsewhere = open_capture.offsite(store_address) or open_capture.host(store_address)
    if leave_out_damaged and elsewhere:
        raise UsageError(
            "--leave-out-damaged reads every content first, and they are elsewhere",
            hint="run it at the keeper, into an image; then write that to the card",
        )
    with (
        open_capture.capture(store_address, capture) as stored,
        progress.reporting(consoles.console(is_error=True)) as bars,
    ):
        _check_faults(stored, despite_faults=despite_faults)
        # At once: a refusal below does not make it whole.
        tables.findings(stored.manifest().findings, consoles.console(is_error=True))
        asked = functools.partial(_passphrase, passphrase_file)
        outside = RebuildDependencies(LocalRunner(), SystemClock(), bars, asked)
        if dry_run:
            proposal = propose(stored, goal, wish, outside)
            if as_json:
                options.print_json(proposal)
            else:
                tables.plan(proposal, consoles.console())
            return 0 if proposal.is_whole else DegradedError.exit_code
        report = rebuild(stored, goal, wish, outside, announce=_announce)
    if as_json:
        options.print_json(report)
    else:
        tables.rebuild_report(report, consoles.console())
    return 0 if report.is_whole else DegradedError.exit_code


def _announce(proposal: Proposal) -> None:
    """Show what will be missing before the card is asked for."""
    tables.left_out(proposal.left_out, consoles.console(is_error=True))


def _passphrase(file: Path | None) -> bytes:
    """Read a passphrase from a file, without the end of its line, or ask for it twice.

    Raises:
        UsageError: there is none.
    """
    if file is not None:
        given = _typed(file.read_bytes(), file)
    elif sys.stdin.isatty():
        words = "Passphrase of the new encrypted container"
        typed = click.prompt(words, hide_input=True, confirmation_prompt=True, err=True)
        given = str(typed).encode()
    else:
        given = b""
    if not given:
        raise UsageError(
            "this capture has an encrypted container, and no passphrase was given for it",
            hint="`--passphrase-file FILE`, or `--plain` to write its content unencrypted",
        )
    return given


def _typed(content: bytes, file: Path) -> bytes:
    """Return a passphrase as somebody would type it who sees the file.

    Raises:
        UsageError: it has what nobody can type.
    """
    given = content.removesuffix(b"\n").removesuffix(b"\r")
    has_control = any(byte < ord(" ") or byte == _DELETE for byte in given)
    if has_control or given.startswith(codecs.BOM_UTF8):
        raise UsageError(
            f"{file} has more than one line, or what nobody can type",
            hint="write the passphrase alone into it: printf %s 'PASSPHRASE' > FILE",
        )
    if not given.isascii():
        terminal.warn(
            "warning: the passphrase has letters that are not ASCII; a board that asks for it "
            "when it starts may have another keyboard"
        )
    return given


def _check_faults(stored: SealedCapture, *, despite_faults: bool) -> None:
    if not despite_faults:
        capture_ref.trusted(stored)
        return
    for fault in stored.faults:
        terminal.warn(f"warning: used despite a fault: {fault}")


_OTHER_PACKINGS = frozenset(
    {".gz", ".bz2", ".7z", ".lz4", ".lzma", ".rar", ".tar", ".tgz", ".tbz2", ".txz"}
)
"""Endings that promise what would not be inside; any other one may name a plain image."""


def _is_shouted(suffix: str) -> bool:
    """Whether a packing's suffix is in capitals, by which we would not know it."""
    return suffix.lower() in compressed_image.SUFFIXES and suffix not in compressed_image.SUFFIXES


def _check_target(path: Path) -> None:
    """Raise if a target is no card, and no name for an image either."""
    if not path.is_block_device() and path.is_relative_to("/dev"):
        found = f"{path} is no disk" if path.exists() else f"there is no device {path}"
        raise TargetRefusedError(found, hint="is the card in? see `lsblk`")
    if path.name == "-":
        raise UsageError(
            "an image cannot be written to standard output, for it is read back",
            hint="name a file, such as card.img; ./-.img if the name has to begin so",
        )
    if (device := Path("/dev", path.name)).is_block_device() and not path.exists():
        raise TargetRefusedError(
            f"{path.name} would be an image in this folder, and {device} is a disk",
            hint=f"for the disk, name {device}; for an image, name it such as {path.name}.img",
        )
    suffix = path.suffix
    plain_zip = suffix == ".zip" and not path.name.endswith(".img.zip")
    if suffix.lower() in _OTHER_PACKINGS or _is_shouted(suffix) or plain_zip:
        raise UsageError(
            f"{path.name}: images are not packed as {suffix}",
            hint="name it .img, .img.zst, .img.xz or .img.zip",
        )


def _check_sense(
    capture: str, target: Path, consent: Confirmation, *, is_plain_given: bool
) -> None:
    """Raise if arguments do not go together: one of them would be passed over in silence."""
    if capture.startswith(("/", "./")):
        raise UsageError(
            f"{capture!r} is no capture",
            hint=f"the capture comes first, then the target: `holdstill rebuild {target} "
            f"{capture}`",
        )
    if is_plain_given:
        raise UsageError(
            "--plain writes no encrypted container, so that there is none for a passphrase",
            hint="leave out --plain or --passphrase-file",
        )
    if consent.token and not target.is_block_device():
        raise UsageError(
            f"--confirm names a card, and {target} is an image",
            hint="leave it out; --replace allows an image to be replaced",
        )


def _goal(path: Path, size: str | None, existing: Existing, consent: Confirmation) -> RebuildGoal:
    _check_target(path)
    if not path.is_block_device():
        wanted = sizes.parse_size(size, "--size") if size else 0
        if size and not wanted:
            raise UsageError(
                "--size must be greater than zero",
                hint="leave --size out for that of the captured card",
            )
        return ImageGoal(path, wanted, existing)
    if size:
        raise UsageError("--size is for images", hint="a card has the size that it has")
    return CardGoal(path, functools.partial(_confirmed, consent), LocalRunner())


def _confirmed(consent: Confirmation, device: BlockDevice) -> Confirmation:
    """Ask in a terminal for the card's serial or size; in scripts, --confirm gives it."""
    if consent.token or not sys.stdin.isatty():
        return consent
    terminal.warn(device.describe())
    terminal.warn("EVERYTHING ON IT WILL BE LOST.")
    word = _asked(f"Type {' or '.join(device.tokens)} to go on")
    if word not in device.tokens:  # refused whatever is said then
        return dataclasses.replace(consent, token=word, again="")
    again = _asked("And once more, if that is really the card")
    return dataclasses.replace(consent, token=word, again=again)


def _asked(words: str) -> str:
    """Return what a person types; where the input ends instead, nothing is written yet."""
    try:
        return str(click.prompt(words, default="", show_default=False, err=True))
    except click.Abort as error:
        error.add_note("nothing was written to the card")
        raise
