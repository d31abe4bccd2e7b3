"""The `holdstill` command: words in, exit code out."""

from __future__ import annotations

import signal
import sys
import traceback

import click

from holdstill.cli import board, demo, keeper, look, nightly, proof, rebuild, setup, store, upkeep
from holdstill.errors import HoldstillError
from holdstill.system import stopping
from holdstill.system.stopping import Stopping

EPILOG = (
    "Exit codes: 0 done, 2 usage, 3 busy, 4 refused beforehand, 5 pause failed, 6 link, "
    "7 verification, 8 sealed but degraded, 9 security, 10 target refused, 11 target failed, "
    "70 our bug."
)


@click.group(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 99},
    epilog=EPILOG,
)
@click.version_option(package_name="holdstill", message="%(prog)s %(version)s")
def holdstill() -> None:
    """Capture a running board without powering it off, and rebuild it as a bootable card.

    On the board: inspect, capture, nightly. At the keeper: keeper, list, show, get, verify,
    rebuild. On both: status.
    """


def _keep_examples(command: click.Command) -> None:
    r"""Let click keep the lines of examples: it wants a backspace where we write \b."""
    command.help = (command.help or "").replace("\\b\n", "\b\n")
    if isinstance(command, click.Group):
        for below in command.commands.values():
            _keep_examples(below)


for group in (setup, board, nightly, look, store, rebuild, proof, upkeep, keeper, demo):
    for command in group.COMMANDS:
        _keep_examples(command)
        holdstill.add_command(command)


def main() -> None:
    """Run the command line and end with its exit code; told to stop, put back what is held."""
    with stopping.stoppable():
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
    except Stopping as told:
        return _interrupted(signal.Signals[str(told)])
    except HoldstillError as error:
        _tell(error)
        return error.exit_code
    except Exception:  # noqa: BLE001  the last line of defence: a traceback and exit code 70
        traceback.print_exc()
        click.echo(
            "holdstill: this is a fault of holdstill; please report the lines above", err=True
        )
        return 70
    return result if isinstance(result, int) else 0


def _interrupted(number: signal.Signals) -> int:
    click.echo("interrupted; nothing was left half-done that a next run does not mend", err=True)
    return 128 + number  # as a shell reports it


def _tell(error: HoldstillError) -> None:
    click.echo(f"holdstill: {error}", err=True)
    for note in getattr(error, "__notes__", ()):
        click.echo(f"also: {note}", err=True)
    if error.hint:
        click.echo(f"what to do: {error.hint}", err=True)
