"""The `holdstill` command: arguments in, exit code out."""

from __future__ import annotations

import io
import os
import re
import signal
import sys
import traceback
from types import MappingProxyType
from typing import TYPE_CHECKING

import click

from holdstill.cli import interrupted, terminal
from holdstill.cli.lazy_group import LazyGroup
from holdstill.system import termination
from holdstill.system.termination import TerminationRequested
from holdstill.workflow import explain

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from holdstill.errors import HoldstillError

EPILOG = (
    "Exit codes: 0 done, 2 usage, 3 another run is active, "
    "4 refused before anything was changed, or by this machine, "
    "5 the pause failed, 6 the link failed, 7 verification failed, 8 done but needs attention, "
    "9 refused as unsafe, 10 target refused, 11 writing the target failed, "
    "12 the night ended by its time, 70 a fault of holdstill itself, "
    "129, 130 and 143 interrupted, 141 nobody reads what it prints."
)


OUR_FAULT = """\
holdstill: this is a fault of holdstill itself, and nothing that you did
what to do: send the lines above, the command line and what `holdstill --version` says to whom you
  have holdstill from; look through them first, for they may show names of files. If a board may
  have been left held, `holdstill resume` lets go of it"""


class Commands(LazyGroup):
    """All commands."""

    modules = {
        name: f"holdstill.cli.{name.replace('-', '_')}"
        for name in (
            "audit", "bootcheck", "capture", "compare", "connect", "demo", "find", "get",
            "inspect", "list", "nightly", "note", "page", "pin", "rebuild", "rehearse", "resume",
            "schema", "setup", "show", "status", "thin", "try-alarms", "unpin", "verify",
        )
    } | {name: f"holdstill.cli.{name}.group" for name in ("keeper", "offsite")}  # fmt: skip
    meant: Mapping[str, str] = MappingProxyType(
        {
            "backup": "`holdstill capture`",
            "check": "`holdstill verify`",
            "delete": "`holdstill thin`",
            "enrol": "`holdstill keeper enrol`",
            "init": "`holdstill keeper setup` at the keeper, or `holdstill setup` on a board",
            "ls": "`holdstill list`",
            "reader": "`holdstill keeper reader`",
            "remove": "`holdstill setup --remove` on a board, `holdstill keeper remove` at the "
            "keeper, or `holdstill thin` for captures",
            "restore": "`holdstill rebuild` for a card, or `holdstill get` for a file",
            "run": "`holdstill capture`",
            "search": "`holdstill find`",
            "start": "`holdstill capture`",
            "write": "`holdstill rebuild`",
        }
    )  # fmt: skip


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 99},
    epilog=EPILOG,
)
@click.version_option(package_name="holdstill", message="%(prog)s %(version)s")
def holdstill() -> None:
    """Capture a running board without powering it off, and rebuild it as a bootable card.

    On the board: inspect, capture, nightly. At the keeper: keeper, list, find, show, get,
    page, verify, rebuild. On both: status, try-alarms. On a machine that reads captures over SSH:
    connect, then list, find, show, get, rebuild.
    """


_BROKEN_PIPE = 128 + signal.SIGPIPE
"""As a shell reports it."""


def main() -> None:
    """Run the command line and end with its exit code; on a signal, undo what is held first."""
    terminal.guard_streams()
    with termination.stoppable():
        code = run(sys.argv[1:])
    if code == _BROKEN_PIPE:
        # Nobody reads on; what is still buffered must not fail again at the end (signal, docs).
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)


def run(words: list[str]) -> int:
    """Run one command line; errors are printed on standard error."""
    return concluded(
        words, lambda: holdstill.main(words, prog_name="holdstill", standalone_mode=False)
    )


def concluded(words: list[str], work: Callable[[], object]) -> int:
    """Do what a command line's words ask for, and return the exit code; errors are printed."""
    try:
        result = work()
    except click.ClickException as error:
        shown = io.StringIO()
        error.show(shown)
        terminal.warn(*shown.getvalue().splitlines(), *_example(error))
        return error.exit_code if isinstance(error, click.UsageError) else 2
    except (click.Abort, KeyboardInterrupt) as told:
        return _interrupted(signal.SIGINT, told, words)
    except TerminationRequested as told:
        return _interrupted(signal.Signals[str(told)], told, words)
    except BrokenPipeError:
        return _BROKEN_PIPE
    except Exception as error:  # noqa: BLE001  the last line of defence
        return _failed(error)
    return result if isinstance(result, int) else 0


_EXAMPLE = re.compile(r"^\s*Examples?:\n\s+(holdstill .+)", re.MULTILINE)


def _example(error: click.ClickException) -> tuple[str, ...]:
    """Return what to say instead of a command line that lacks a word, or has one too many."""
    if not isinstance(error, click.MissingParameter) and type(error) is not click.UsageError:
        return ()
    context = error.ctx
    text = (context.command.help or "").replace("\\\n", " ") if context else ""
    example = _EXAMPLE.search(text)
    return (
        (f"what to do: name all of it, such as `{' '.join(example[1].split())}`",)
        if example
        else ()
    )


def _failed(error: Exception) -> int:
    """Tell what went wrong; a traceback and exit code 70 only when it is our own fault."""
    known = explain.explained(error)
    if known is not None:
        for note in getattr(error, "__notes__", ()) if known is not error else ():
            known.add_note(note)
        _tell(known)
        return known.exit_code
    terminal.warn_as_written(traceback.format_exc(), OUR_FAULT)
    return 70


def _interrupted(number: signal.Signals, told: BaseException, words: list[str]) -> int:
    terminal.warn(f"interrupted; {interrupted.told(told, words)}")
    return 128 + number  # as a shell reports it


def _tell(error: HoldstillError) -> None:
    notes = [f"also: {note}" for note in getattr(error, "__notes__", ())]
    hint = [f"what to do: {error.hint}"] if error.hint else []
    terminal.warn(f"holdstill: {error}", *notes, *hint)
