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
from holdstill.system.clocks import SystemClock
from holdstill.workflow import offsite_upload

if TYPE_CHECKING:
    from holdstill.offsite.check import OffsiteCheck
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent

_ASK = "ask who runs the server to look at it, and run `holdstill offsite verify` after that"


@click.command("verify", short_help="Check an off-site copy, without the key.")
@click.argument("address", required=False)
@click.option("--access-key", type=click.Path(path_type=Path), help="File with the access key of "
              "the bucket, with an ADDRESS.")  # fmt: skip
@click.option("--parts", type=click.IntRange(min=1), default=1, show_default=True,
              help="Read only one of so many parts, the next one each time.")  # fmt: skip
@options.store_option
@options.json_option
def command(
    address: str | None, *, access_key: Path | None, parts: int, store_address: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    r"""Read what is off-site, and name what is missing or altered; needs no recovery key.

    Without an ADDRESS, it is the copy of the store here; then it is also found out if the newest
    heads are missing, and the next upload sends again what it has of a pack that is lost.
    Exit code 7: something is missing or altered. 8: something is not locked, as far as the server
    says, or odd.

    \b
    Examples:
      holdstill offsite verify --store /srv/holdstill --parts 8
      holdstill offsite verify s3+https://objects.example/captures/boathouse
    """
    own, is_locked, root, turn = None, True, None, SystemClock().now().toordinal()
    with ExitStack() as undo, progress.reporting(consoles.console(is_error=True)) as reporter:
        if address:
            bucket = Bucket(bucket_address.parse(address), bucket_address.access_key(access_key))
        else:
            root = Path(options.store_address(store_address))
            settings = offsite_settings.read(root)
            bucket, is_locked = offsite_upload.opened_bucket(settings), settings.lock_days > 0
            noted = undo.enter_context(sent.opened(root / sent.NAME))
            own = _own(settings, noted)
            before = run_notes.load(root)
            turn = before.part + 1 if before else 1  # a week that was missed is made up for
        found = check.check(bucket, reporter, own=own, parts=parts, turn=turn, is_locked=is_locked)
    if root is not None:
        _note(root, found, part=turn if parts > 1 else 0)
    if as_json:
        options.print_json(found)
    else:
        _say(found)
    if found.missing or found.altered:
        return VerificationError.exit_code
    return DegradedError.exit_code if found.unlocked or found.unsaid or found.odd else 0


def _own(settings: OffsiteSettings, noted: Sent) -> Own:
    put = None if noted.is_being_made() else noted.every_head
    return Own(settings.keeper, settings.keys.heads, noted.last_head(), put)


def _note(root: Path, found: OffsiteCheck, *, part: int) -> None:
    """Note what was found, for whoever asks and for the next upload, which mends what it can."""
    with sent.opened(root / sent.NAME) as noted:
        noted.note_lost(found.lost_packs)
        away = [one for one in noted.away() if {*one.packs} & {*found.lost_packs}]
        for name in found.unlocked_packs:
            noted.note_lock("pack", name, "")
        for number in found.unlocked_heads:
            noted.note_lock("head", number, "")
    findings = (
        *_findings(found),
        *(
            f"{one.board}/{one.brief.name} is off-site alone, and in a pack that is lost; what to "
            "do: `holdstill get` with the recovery key says what of it can still be read"
            for one in away
        ),
    )
    run_notes.note_findings(root, SystemClock().now(), findings, part=part)


def _findings(found: OffsiteCheck) -> tuple[str, ...]:
    lost = (
        *(f"{thing} is missing" for thing in found.missing),
        *(f"altered: {thing}" for thing in found.altered),
    )
    return (
        *(f"{text}; what to do: {_what_to_do(text, found)}" for text in lost),
        *(
            f"not locked: {thing}; what to do: the next `holdstill offsite upload` locks it"
            for thing in found.unlocked
        ),
        *(
            f"the server does not say whether it is locked: {thing}; what to do: {_ASK}"
            for thing in found.unsaid
        ),
    )


def _what_to_do(lost: str, found: OffsiteCheck) -> str:
    if any(lost == f"altered: {text}" for text in found.unread):
        return _ASK  # it may well be there
    if any(name in lost for name in found.lost_packs):
        return (
            "the next `holdstill offsite upload` sends again what this store has of it; then run "
            "`holdstill offsite verify`"
        )
    return "`holdstill offsite setup --again` sends all that this store has anew, beside it"


def _say(found: OffsiteCheck) -> None:
    for word, things in (
        ("MISSING", found.missing), ("ALTERED", found.altered),
        ("NOT LOCKED", found.unlocked), ("LOCKED OR NOT, IS NOT SAID", found.unsaid),
        ("ODD", found.odd),
    ):  # fmt: skip
        terminal.say(*(f"{word}: {thing}" for thing in things))
    terminal.say(
        f"{counted(found.heads, 'head')}, {counted(found.packs, 'pack')}; read "
        f"{counted(found.read, 'pack')}, {human(found.read_bytes)}"
    )
