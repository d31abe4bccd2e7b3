"""The command `holdstill bootcheck`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import consoles, options
from holdstill.errors import VerificationError
from holdstill.rebuild import bootcheck as boot
from holdstill.system import byte_source


@click.command("bootcheck", short_help="Check the boot chain of a card or image.")
@click.argument("target", type=click.Path(path_type=Path, exists=True))
@click.option("--model", default="", help="The board's model, where several firmwares are there.")
@options.json_option
def command(target: Path, *, model: str, as_json: bool) -> int:
    r"""Follow the boot chain of a finished card or image, link by link. Reads only.

    Ends with exit code 7 when the card cannot boot as it is. What only the board itself can
    decide is reported as unknown, which is no failure.

    \b
    Example:
      holdstill bootcheck pier-3.img
    """
    byte_source.check_plain(target)
    with byte_source.opened(target) as source:
        report = boot.check(source, model=model)
    if as_json:
        options.print_json(report)
    else:
        out = consoles.console()
        for line in report.lines():
            out.print(line)
    return 0 if report.is_bootable else VerificationError.exit_code
