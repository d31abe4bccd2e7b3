"""The command `holdstill offsite verify`."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import consoles, options, progress, terminal
from holdstill.errors import DegradedError, VerificationError
from holdstill.model.sizes import counted, human
from holdstill.offsite import bucket_address, check, offsite_settings, run_notes, sent
from holdstill.offsite.bucket import Bucket
from holdstill.offsite.check import Own
from holdstill.system import clocks
from holdstill.system.clocks import SystemClock
from holdstill.workflow import offsite_upload

if TYPE_CHECKING:
    from holdstill.offsite.check import OffsiteCheck
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent


@click.command("verify", short_help="Check an off-site copy, without the key.")
@click.argument("address", required=False)
@click.option("--access-key", type=click.Path(path_type=Path), help="File with the access key of "
              "the bucket, with an ADDRESS.")  # fmt: skip
@click.option("--parts", type=click.IntRange(min=1), default=1, show_default=True,
              help="Read only one of so many parts, another one each week.")  # fmt: skip
@options.store_option
@options.json_option
def command(
    address: str | None, *, access_key: Path | None, parts: int, store_address: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    r"""Read what is off-site, and name what is missing or altered; needs no recovery key.

    Without an ADDRESS, it is the copy of the store here; then it is also found out if the newest
    heads are missing. Exit code 7: something is missing or altered. 8: something is not locked, or
    odd.

    \b
    Examples:
      holdstill offsite verify --store /srv/holdstill --parts 8
      holdstill offsite verify s3+https://objects.example/captures/boathouse
    """
    own, is_locked, root = None, True, None
    now = SystemClock().now()
    week = now.toordinal() // 7
    with ExitStack() as undo, progress.reporting(consoles.console(is_error=True)) as reporter:
        if address:
            bucket = Bucket(bucket_address.parse(address), bucket_address.access_key(access_key))
        else:
            root = Path(options.store_address(store_address))
            settings = offsite_settings.read(root)
            bucket, is_locked = offsite_upload.opened_bucket(settings), settings.lock_days > 0
            noted = undo.enter_context(sent.opened(root / sent.NAME))
            own = _own(settings, noted)
        found = check.check(bucket, reporter, own=own, parts=parts, turn=week, is_locked=is_locked)
    if root is not None:
        findings = _findings(found)
        if parts > 1 and (before := run_notes.load(root)) is not None:
            # What another week has found stays until all is read, or set up again.
            findings = tuple(dict.fromkeys((*before.findings, *findings)))
        run_notes.change(root, now, checked_at=clocks.rfc3339(now), findings=findings)
    if as_json:
        options.print_json(found)
    else:
        _say(found)
    if found.missing or found.altered:
        return VerificationError.exit_code
    return DegradedError.exit_code if found.unlocked or found.odd else 0


def _own(settings: OffsiteSettings, noted: Sent) -> Own:
    put = None if noted.is_being_made() else noted.every_head
    return Own(settings.keeper, settings.keys.heads, noted.last_head(), put)


def _findings(found: OffsiteCheck) -> tuple[str, ...]:
    return (
        *(f"{thing} is missing" for thing in found.missing),
        *(f"altered: {thing}" for thing in found.altered),
        *(f"not locked: {thing}" for thing in found.unlocked),
    )


def _say(found: OffsiteCheck) -> None:
    for word, things in (
        ("MISSING", found.missing), ("ALTERED", found.altered),
        ("NOT LOCKED", found.unlocked), ("ODD", found.odd),
    ):  # fmt: skip
        terminal.say(*(f"{word}: {thing}" for thing in things))
    terminal.say(
        f"{counted(found.heads, 'head')}, {counted(found.packs, 'pack')}; read "
        f"{counted(found.read, 'pack')}, {human(found.read_bytes)}"
    )
