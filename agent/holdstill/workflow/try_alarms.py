"""Sends everybody one message, so that a keeper's or a board's alarms are known to arrive."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import msgspec

from holdstill.model.layout import Record
from holdstill.notify import messages
from holdstill.system import clocks

if TYPE_CHECKING:
    from holdstill.model.nightly_state import Message
    from holdstill.system.clocks import Clock


class Addressees(Protocol):
    """The recipients, and how to speak of them without their secrets."""

    def places(self) -> dict[str, str]:
        """Return for each fingerprint where its address is written."""

    def try_to_send(self, message: Message) -> dict[str, str]:
        """Send a message to its recipients; return why each did not get it, "" for who did."""


class AlarmTrial(Record, frozen=True, kw_only=True):
    """What became of the message to one recipient.

    Attributes:
        place: where the address is written, and its kind.
        is_reached: whether the service took the message; whether a person reads it nobody knows.
        why: why it did not.
    """

    place: str
    is_reached: bool
    why: str = ""


def try_alarms(people: Addressees, host: str, *, clock: Clock) -> tuple[AlarmTrial, ...]:
    """Send everybody one message, and return what became of each."""
    places = people.places()
    letter = messages.about_nothing(host, at=clocks.rfc3339(clock.now()))
    failures = people.try_to_send(msgspec.structs.replace(letter, to=tuple(places)))
    return tuple(
        AlarmTrial(place=places[who], is_reached=not why, why=why) for who, why in failures.items()
    )
