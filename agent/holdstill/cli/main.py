"""The `holdstill` command: arguments in, exit code out."""

from __future__ import annotations

import os
import signal
import sys
import traceback

import click

from holdstill.cli.lazy_group import LazyGroup
from holdstill.errors import HoldstillError, PreflightError
from holdstill.system import termination
from holdstill.system.termination import TerminationRequested

EPILOG = (
    "Exit codes: 0 done, 2 usage, 3 another run is active, 4 refused before anything was changed, "
    "5 the pause failed, 6 the link failed, 7 verification failed, 8 done but needs attention, "
    "9 refused as unsafe, 10 target refused, 11 writing the target failed, "
    "70 a fault of holdstill itself, 130 and 143 interrupted."
)


class Commands(LazyGroup):
    """All commands."""

    modules = {
        name: f"holdstill.cli.{name}"
        for name in (
            "audit", "bootcheck", "capture", "compare", "demo", "get", "inspect", "list",
            "nightly", "pin", "rebuild", "rehearse", "resume", "setup", "show", "status", "thin",
            "unpin", "verify",
        )
    } | {"keeper": "holdstill.cli.keeper.group"}  # fmt: skip


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 99},
    epilog=EPILOG,
)
@click.version_option(package_name="holdstill", message="%(prog)s %(version)s")
def holdstill() -> None:
    """Capture a running board without powering it off, and rebuild it as a bootable card.

    On the board: inspect, capture, nightly. At the keeper: keeper, list, show, get, verify,
    rebuild. On both: status.
    """


def main() -> None:
    """Run the command line and end with its exit code; on a signal, undo what is held first."""
    with termination.stoppable():
        sys.exit(run(sys.argv[1:]))


def run(words: list[str]) -> int:
    """Run one command line; errors are printed on standard error."""
    try:
        result: object = holdstill.main(words, prog_name="holdstill", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return 2
    except click.Abort:
        return _interrupted(signal.SIGINT)
    except TerminationRequested as told:
        return _interrupted(signal.Signals[str(told)])
    except HoldstillError as error:
        _tell(error)
        return error.exit_code
    except PermissionError as error:
        if error.filename is None:
            raise
        # A missing permission is an error of the caller, not of this program.
        path = os.fsdecode(error.filename)
        not_allowed = PreflightError(
            f"{path}: {error.strerror}",
            hint="run this as root (sudo), or as the user that it belongs to",
        )
        _tell(not_allowed)
        return PreflightError.exit_code
    except Exception:  # noqa: BLE001  the last line of defence: a traceback and exit code 70
        traceback.print_exc()
        click.echo(
            "holdstill: this is a fault of holdstill; please report the lines above", err=True
        )
        return 70
    return result if isinstance(result, int) else 0


def _interrupted(number: signal.Signals) -> int:
    click.echo(
        "interrupted; what was left half-done is completed or undone by the next run", err=True
    )
    return 128 + number  # as a shell reports it


def _tell(error: HoldstillError) -> None:
    click.echo(f"holdstill: {error}", err=True)
    for note in getattr(error, "__notes__", ()):
        click.echo(f"also: {note}", err=True)
    if error.hint:
        click.echo(f"what to do: {error.hint}", err=True)
