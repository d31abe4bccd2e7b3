"""The `holdstill` command: words in, exit code out."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import traceback

import click

from holdstill.errors import HoldstillError, PreflightError
from holdstill.system import termination
from holdstill.system.termination import TerminationRequested

EPILOG = (
    "Exit codes: 0 done, 2 usage, 3 busy, 4 refused beforehand, 5 pause failed, 6 link, "
    "7 verification, 8 sealed but degraded, 9 security, 10 target refused, 11 target failed, "
    "70 our bug."
)


MODULES = {
    "setup": "setup", "inspect": "board", "capture": "board", "resume": "board",
    "nightly": "nightly", "status": "nightly", "compare": "look", "audit": "look",
    "list": "store", "show": "store", "get": "store", "rebuild": "rebuild",
    "bootcheck": "proof", "rehearse": "proof", "verify": "upkeep", "thin": "upkeep",
    "pin": "upkeep", "unpin": "upkeep", "keeper": "keeper", "demo": "demo",
}  # fmt: skip
"""Where each command is. It is imported when it is used: the keeper starts one for every rsync of
every board, and has no use for the others."""


class Commands(click.Group):
    """All commands, each imported when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return their names."""
        del ctx
        return sorted(MODULES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return one of them, None when there is no such command."""
        del ctx
        if cmd_name not in MODULES:
            return None
        module = importlib.import_module(f"holdstill.cli.{MODULES[cmd_name]}")
        return next(_with_examples(c) for c in module.COMMANDS if c.name == cmd_name)


def _with_examples(command: click.Command) -> click.Command:
    r"""Let click keep the lines of examples: it wants a backspace where we write \b."""
    command.help = (command.help or "").replace("\\b\n", "\b\n")
    if isinstance(command, click.Group):
        for below in command.commands.values():
            _with_examples(below)
    return command


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
    """Run the command line and end with its exit code; told to stop, put back what is held."""
    with termination.stoppable():
        sys.exit(run(sys.argv[1:]))


def run(words: list[str]) -> int:
    """Carry out one command line; errors are told on standard error."""
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
        _tell(_not_allowed(error))
        return PreflightError.exit_code
    except Exception:  # noqa: BLE001  the last line of defence: a traceback and exit code 70
        traceback.print_exc()
        click.echo(
            "holdstill: this is a fault of holdstill; please report the lines above", err=True
        )
        return 70
    return result if isinstance(result, int) else 0


def _not_allowed(error: PermissionError) -> PreflightError:
    """Say whose fault it is not: whoever may not do something is no fault of ours."""
    path = os.fsdecode(error.filename)
    return PreflightError(
        f"{path}: {error.strerror}",
        hint="run this as root (sudo), or as the user that it belongs to",
    )


def _interrupted(number: signal.Signals) -> int:
    click.echo("interrupted; nothing was left half-done that a next run does not mend", err=True)
    return 128 + number  # as a shell reports it


def _tell(error: HoldstillError) -> None:
    click.echo(f"holdstill: {error}", err=True)
    for note in getattr(error, "__notes__", ()):
        click.echo(f"also: {note}", err=True)
    if error.hint:
        click.echo(f"what to do: {error.hint}", err=True)
