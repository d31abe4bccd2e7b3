"""The program that speaks to one address: an order on standard input, exit code 0 if it worked.

It prints nothing: the errors of Apprise and its services may contain secrets.
"""

from __future__ import annotations

import os
import sys

import msgspec

from holdstill.model.layout import Record

REFUSED, NO_ADDRESS = 1, 2
"""How this process ends: the service did not take it, or there is no such service."""


class SendRequest(Record, frozen=True, kw_only=True):
    """A message, and the addresses that it is for."""

    url: str
    title: str
    body: str
    is_bad: bool = False


def main() -> None:
    """Carry out one order."""
    order = msgspec.json.decode(sys.stdin.buffer.read(), type=SendRequest)
    null = os.open(os.devnull, os.O_WRONLY)
    for standard in (1, 2):
        os.dup2(null, standard)
    from apprise import Apprise, NotifyFormat, NotifyType  # noqa: PLC0415  half a second of imports

    speaker = Apprise()
    if not speaker.add(order.url):
        sys.exit(NO_ADDRESS)
    say = speaker.notify(
        title=order.title,
        body=order.body,
        notify_type=NotifyType.WARNING if order.is_bad else NotifyType.SUCCESS,
        body_format=NotifyFormat.TEXT,
    )
    sys.exit(0 if say else REFUSED)


if __name__ == "__main__":
    main()
