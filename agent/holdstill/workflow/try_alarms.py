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

    def send(self, message: Message) -> tuple[str, ...]:
        """Send a message to its recipients; return those who got it."""


class AlarmTrial(Record, frozen=True, kw_only=True):
    """What became of the message to one recipient.

    Attributes:
        place: where the address is written, and its kind.
        is_reached: whether the service took the message; whether a person reads it nobody knows.
    """

    place: str
    is_reached: bool


def try_alarms(people: Addressees, host: str, *, clock: Clock) -> tuple[AlarmTrial, ...]:
    """Send everybody one message, and return what became of each."""
    places = people.places()
    letter = messages.about_nothing(host, at=clocks.rfc3339(clock.now()))
    reached = people.send(msgspec.structs.replace(letter, to=tuple(places)))
    return tuple(
        AlarmTrial(place=place, is_reached=who in reached) for who, place in places.items()
    )
