"""The command `holdstill offsite setup`."""

from __future__ import annotations

import base64
import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import as_owner, options, terminal
from holdstill.cli.offsite import paper
from holdstill.errors import SecurityError, UsageError
from holdstill.model import sizes
from holdstill.model.sizes import ByteSize, counted
from holdstill.offsite import (
    bucket_address,
    earlier,
    offsite_settings,
    promises,
    run_notes,
    sent,
)
from holdstill.offsite.bucket import Bucket
from holdstill.offsite.offsite_settings import OffsiteSettings, Prices
from holdstill.offsite.recovery_key import KeeperKeys, RecoveryKey
from holdstill.offsite.run_notes import RunNotes
from holdstill.system import clocks
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from holdstill.offsite.promises import Promise


@click.command("setup", short_help="Begin an off-site copy.")
@click.argument("address")
@click.option("--access-key", type=click.Path(path_type=Path), help="File with the access key of "
              "the bucket. Default: AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY.")  # fmt: skip
@click.option("--public", help="The keeper's part of a key that was made on another machine.")
@click.option("--lock-days", type=click.IntRange(0, 3650), default=30, show_default=True,
              help="For how long nobody can delete what is needed; 0 = no lock.")  # fmt: skip
@click.option("--rate", default="0", help="Most bytes a second, such as 2M; 0 is no limit.")
@click.option("--price", nargs=3, type=click.FloatRange(min=0), default=(0.0, 0.0, 0.0),
              metavar="GB PUTS GETS", help="What 10^9 bytes cost for a month, and 1000 requests "
              "that write and that read.")  # fmt: skip
@click.option("--again", is_flag=True, help="Begin a new copy beside the one there is.")
@click.option("--leave-away", is_flag=True, help="With --again: captures that are off-site alone "
              "stay in the copy that there was, locked as before.")  # fmt: skip
@options.store_option
def command(
    address: str, *, access_key: Path | None, public: str | None, lock_days: int, rate: str,
    price: tuple[float, float, float], again: bool, leave_away: bool,
    store_address: str | None,
) -> None:  # fmt: skip
    r"""Begin an off-site copy of a store, in a bucket that was made with object lock.

    Tries what the server promises, and refuses one that does not keep what the copy relies on.
    Makes the recovery key, prints it for paper, and has it typed again. The keeper has
    only the half that seals.

    \b
    Example:
      holdstill offsite setup s3+https://objects.example/captures/boathouse \
        --access-key /etc/holdstill/bucket.key --store /srv/holdstill
    """
    opened = as_owner.opened_at(store_address)
    if offsite_settings.is_there(opened.root) and not again:
        raise UsageError(
            f"{opened.root} has an off-site copy: {offsite_settings.read(opened.root).address}",
            hint="--again begins a new one; what was sent stays there until its locks end",
        )
    every, behind = _all_away(opened.root), _behind(opened.root)
    away = sorted(every - behind)
    if away and not leave_away:
        raise UsageError(
            f"{opened.root}: {counted(len(away), 'capture')} that left it, as "
            f"{'/'.join(away[0])}, would be in no copy that this store knows: a new one has only "
            "what is here",
            hint="with --leave-away they stay in the copy that there is, locked as before; the "
            "recovery key of now is what reads them: keep its paper",
        )
    place = bucket_address.parse(address)
    bucket = Bucket(place, bucket_address.access_key(access_key))
    given = KeeperKeys.of_text(public) if public else None
    if given is None:
        _check_terminal()  # before anything is put there, and locked
    _check_promises(promises.tried(bucket, is_locked=lock_days > 0), address)
    keeper = secrets.token_hex(8)
    keys = given or _made_here(str(place), keeper)
    gb_month, thousand_puts, thousand_gets = price
    if away:
        earlier.put_aside(opened.root)
    (opened.root / sent.NAME).unlink(missing_ok=True)
    offsite_settings.write(
        opened.root,
        OffsiteSettings(
            address=str(place), keeper=keeper, lock_days=lock_days,
            recipient=base64.b64encode(keys.recipient).decode(),
            heads=base64.b64encode(keys.heads).decode(),
            access_key=str(access_key.absolute()) if access_key else "",
            rate=ByteSize(sizes.parse_size(rate, "--rate")),
            prices=Prices(
                gb_month=gb_month, thousand_puts=thousand_puts, thousand_gets=thousand_gets
            ),
        ),
    )  # fmt: skip
    now = SystemClock().now()
    since = clocks.rfc3339(now)
    run_notes.save(opened.root, RunNotes(since=since, is_new=True, away=_by_board(every)))
    terminal.say(
        f"{opened.root / offsite_settings.NAME} is written. `holdstill offsite upload --dry-run` "
        "says what the first upload costs; `holdstill offsite upload` does it."
    )


def _all_away(root: Path) -> set[tuple[str, str]]:
    """Return (board, name) of all captures that have left a store, as any of its notes say."""
    noted = {(one.board, one.brief.name) for one in earlier.away(root)}
    notes = run_notes.load(root)
    told = notes.away if notes is not None else {}
    return noted | _pairs(told) | _behind(root)


def _behind(root: Path) -> set[tuple[str, str]]:
    """Return those that are in copies which were left behind."""
    return _pairs(earlier.names(root))


def _pairs(of_boards: Mapping[str, tuple[str, ...]]) -> set[tuple[str, str]]:
    return {(board, name) for board, names in of_boards.items() for name in names}


def _by_board(away: Iterable[tuple[str, str]]) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for board, name in sorted(away):
        found[board] = (*found.get(board, ()), name)
    return found


def _check_promises(found: Sequence[Promise], address: str) -> None:
    """Tell what the server promises.

    Raises:
        SecurityError: it does not keep what the copy relies on.
    """
    for promise in found:
        kept = "yes" if promise.holds else f"NO: {promise.otherwise}"
        terminal.say(f"  {promise.name}: {kept}")
    if not all(promise.holds for promise in found if promise.is_needed):
        raise SecurityError(
            f"{address} does not keep what an off-site copy relies on; nothing was set up",
            hint="make a bucket with object lock (it can be had only when a bucket is made). "
            "--lock-days 0 does without: then whoever has the keeper's access key can delete all",
        )


def _check_terminal() -> None:
    """Check that there is somebody to write the recovery key down; UsageError if not."""
    if not sys.stdin.isatty():
        raise UsageError(
            "the recovery key is shown in a terminal, to be written down",
            hint="run this in one; or `holdstill offsite key` on another machine, and --public "
            "here",
        )


def _made_here(address: str, keeper: str) -> KeeperKeys:
    """Make the recovery key in front of a person.

    Raises:
        UsageError: it was not written down.
    """
    key = RecoveryKey.made()
    made_for = paper.MadeFor(address, keeper, SystemClock().now())
    terminal.say(*paper.lines(key, made_for), "")
    click.prompt("Write it down or print it; then press Enter", default="", show_default=False,
                 err=True)  # fmt: skip
    click.clear()
    paper.prove_written(key)
    return key.of_keeper
