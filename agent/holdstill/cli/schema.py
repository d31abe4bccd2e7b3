"""The command `holdstill schema`."""

from __future__ import annotations

import importlib

import click
import msgspec

from holdstill.cli import options
from holdstill.errors import UsageError

DIALECT = "https://json-schema.org/draft/2020-12/schema"
OUTPUTS = {
    "audit": ("holdstill.workflow.audit:AuditReport",),
    "bootcheck": ("holdstill.cli.bootcheck:BootcheckOutput",),
    "capture": ("holdstill.workflow.capture_report:CaptureReport",),
    "compare": ("holdstill.workflow.compare:Comparison",),
    "demo": ("holdstill.demo.report:DemoReport",),
    "find": ("holdstill.cli.find:FindOutput",),
    "get": ("holdstill.cli.get:GetOutput",),
    "inspect": ("holdstill.workflow.inspect:Inspection",),
    "keeper init": ("holdstill.cli.keeper.init:InitOutput",),
    "keeper reader list": ("holdstill.cli.keeper.reader.list:ReadersOutput",),
    "keeper watch": ("holdstill.cli.keeper.watch:WatchOutput",),
    "list": ("holdstill.cli.list:ListOutput",),
    "note": ("holdstill.cli.note:NoteOutput",),
    "offsite prove": ("holdstill.cli.offsite.prove:ProveOutput",),
    "offsite restore": ("holdstill.workflow.offsite_restore:RestoreReport",),
    "offsite upload": (
        "holdstill.workflow.offsite_upload:OffsiteReport",
        "holdstill.offsite.cost:Cost",
    ),
    "offsite verify": ("holdstill.offsite.check:OffsiteCheck",),
    "pin": ("holdstill.cli.pin:PinOutput",),
    "rebuild": ("holdstill.workflow.rebuild:RebuildReport", "holdstill.workflow.rebuild:Proposal"),
    "rehearse": (
        "holdstill.rehearse.rehearsal:Rehearsal",
        "holdstill.cli.rehearse:RehearsalsOutput",
    ),
    "resume": ("holdstill.cli.resume:ResumeOutput",),
    "show": ("holdstill.model.manifest:Manifest",),
    "status": ("holdstill.cli.status:StatusOutput",),
    "thin": ("holdstill.cli.thin:ThinOutput",),
    "try-alarms": ("holdstill.cli.try_alarms:TrialsOutput",),
    "unpin": ("holdstill.cli.pin:PinOutput",),
    "verify": (
        "holdstill.workflow.verify_captures:VerifyReport",
        "holdstill.verify.card_report:CardReport",
    ),
}
"""The types of what commands print with --json: several where an option decides."""


@click.command("schema", short_help="Print the JSON Schema of a command.")
@click.argument("words", metavar="COMMAND...", nargs=-1)
def command(words: tuple[str, ...]) -> None:
    r"""Print the JSON Schema (2020-12) of what a COMMAND prints with --json.

    It is made of the very types that are printed, so it is that of this version.

    \b
    Examples:
      holdstill schema list
      holdstill schema keeper watch
    """
    name = " ".join(words)
    if name not in OUTPUTS:
        raise UsageError(
            f"`holdstill {name}` has no --json" if name else "which command?",
            hint=f"these have it: {', '.join(OUTPUTS)}",
        )
    options.print_json(of_command(name))


def of_command(name: str) -> dict[str, object]:
    """Return the JSON Schema of a command's output, as a document of its own."""
    types = [_type(place) for place in OUTPUTS[name]]
    tops, parts = msgspec.json.schema_components(types, ref_template="#/$defs/{name}")
    top = tops[0] if len(tops) == 1 else {"anyOf": list(tops)}
    return {"$schema": DIALECT, "title": f"holdstill {name} --json", **top, "$defs": parts}


def _type(place: str) -> object:
    module, _, name = place.partition(":")
    return getattr(importlib.import_module(module), name)
