"""The recovery key as it goes onto paper: words, and the same as a QR code."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click
import segno

from holdstill.cli import terminal
from holdstill.errors import UsageError
from holdstill.offsite import rfc1751
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from holdstill.offsite.recovery_key import RecoveryKey

_TRIES = 3
_BLOCKS = {(0, 0): "█", (0, 1): "▀", (1, 0): "▄", (1, 1): " "}
"""Two modules, one above the other; light ones are drawn, for terminals are dark."""


class MadeFor(NamedTuple):
    """What a key was made for, as far as it is known.

    Attributes:
        address: of the copy, "" if a keeper is to be told of the key later.
        keeper: its 16 digits, as its offsite.yaml and `offsite prove` name it.
        at: when.
    """

    address: str
    keeper: str
    at: datetime


def lines(key: RecoveryKey, made_for: MadeFor) -> Iterator[str]:
    """Yield what is to be printed, or written down."""
    yield "Recovery key of a holdstill off-site copy"
    if made_for.address:
        yield f"of: {made_for.address}"
    if made_for.keeper:
        yield f"keeper: {made_for.keeper}"
    yield f"made: {clocks.rfc3339(made_for.at)}, fingerprint: {key.of_keeper.fingerprint}"
    yield ""
    yield from (f"  {number}.  {line}" for number, line in enumerate(key.lines, 1))
    yield ""
    yield from _qr_code(" ".join(key.lines))
    yield ""
    yield "The code has the same words. Without them nobody can read the copy, not even you; with"
    yield "them, and with access to the bucket, anybody can. No copy of them is on this machine."


def _qr_code(text: str) -> Iterator[str]:
    """Yield the lines of a QR code (ISO/IEC 18004), two modules to a character."""
    rows = [list(map(int, row)) for row in segno.make_qr(text, error="m").matrix_iter(border=4)]
    rows += [[0] * len(rows[0])] if len(rows) % 2 else []
    for upper, lower in zip(rows[::2], rows[1::2], strict=True):
        yield "".join(_BLOCKS[pair] for pair in zip(upper, lower, strict=True))


def prove_written(key: RecoveryKey) -> None:
    """Have all lines typed, which shows that they are on paper.

    Raises:
        UsageError: they were wrong too often.
    """
    for number, line in enumerate(key.lines, 1):
        for _ in range(_TRIES):
            given: str = click.prompt(f"Line {number}, from the paper", err=True)
            if _is_same(given, line):
                break
            terminal.warn("That is not the line.")
        else:
            raise UsageError(
                "the recovery key was not written down; nothing was set up",
                hint="begin again: there is a new key then, so throw the old paper away",
            )


def _is_same(given: str, line: str) -> bool:
    try:
        return rfc1751.decode(given) == rfc1751.decode(line)
    except UsageError:
        return False
