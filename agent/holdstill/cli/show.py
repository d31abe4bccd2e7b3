"""The command `holdstill show`."""

from __future__ import annotations

import click

from holdstill.cli import completion, consoles, open_capture, options, tables


@click.command("show", short_help="Show the manifest of a capture.")
@click.argument("capture", metavar="BOARD[/CAPTURE]", shell_complete=completion.captures)
@options.store_option
@options.access_options
@options.json_option
def command(capture: str, store_address: str | None, *, as_json: bool) -> None:
    r"""Show what one capture holds: its manifest, readably. The newest good one by default.

    \b
    Example:
      holdstill show pier-3/000042 --store /srv/holdstill
    """
    with open_capture.capture(store_address, capture) as stored:
        found, faults, boot = stored.manifest(), stored.faults, stored.boot
        note = stored.note
    if as_json:
        options.print_json(found)
        return
    out = consoles.console()
    tables.warnings(faults, out)
    tables.manifest(found, out)
    tables.boot(boot, out)
    if note:
        out.print(f"Note: {note}")
