"""What the keeper's page offers to make of captures, found out in the background."""

from __future__ import annotations

import logging
import shutil
from dataclasses import dataclass
from threading import Lock, Thread
from typing import TYPE_CHECKING, Protocol

from holdstill.model import names
from holdstill.page import image_form
from holdstill.page.image_offer import ImageOffer
from holdstill.page.job_records import Packing
from holdstill.rebuild import compressed_image
from holdstill.rehearse import console_markers, emulation
from holdstill.system import process
from holdstill.workflow import explain

if TYPE_CHECKING:
    from holdstill.system.clocks import Clock

_LASTS, _FAILURE_LASTS, _MOST = 600.0, 30.0, 500
"""Seconds for which an offer is good, for a capture may be damaged or thinned; until what failed
is tried again; most of them."""
_EMULATORS = {emulation.X86: "qemu-system-x86", emulation.ARM64: "qemu-system-arm"}
"""Emulators, and the Debian packages that have them."""
_log = logging.getLogger(__name__)


class Measure(Protocol):
    """How it is found out what could be made of a capture."""

    def __call__(self, reference: str, disk: str) -> ImageOffer:
        """Return it; this may take minutes."""


@dataclass(frozen=True)
class _Known:
    """An offer, and until when it is good, by the clock that is never set."""

    offer: ImageOffer
    until: float


class CaptureOffers:
    """Offers for captures of a store. Several threads may ask at once."""

    def __init__(self, measure: Measure, clock: Clock) -> None:
        self._measure, self._clock = measure, clock
        self._lock, self._busy = Lock(), False
        self._known: dict[tuple[str, str], _Known] = {}

    def offer(self, board: str, capture: str, disk: str) -> ImageOffer | None:
        """Return what could be made of a capture; None while that is being found out.

        Raises:
            UsageError: these are no names.
        """
        reference = f"{names.check_board(board)}/{names.CaptureName.parse(capture)}"
        key = (reference, image_form.disk(disk))
        with self._lock:
            known = self._known.get(key)
            if known is not None and known.until > self._clock.monotonic():
                return known.offer
            if not self._busy:
                Thread(target=self._find_out, args=key, name="measure", daemon=True).start()
                self._busy = True
        return None

    def emulators(self) -> tuple[str, ...]:
        """Return which emulators are not installed here, each with its package."""
        return tuple(
            f"{program} (Debian: {package})"
            for program, package in _EMULATORS.items()
            if not _is_here(program)
        )

    def packings(self) -> tuple[Packing, ...]:
        """Return how this machine can pack an image."""
        packers = {f".img{suffix}": words[0] for suffix, words in compressed_image.PACKERS.items()}
        return tuple(
            each for each in Packing if each not in packers or _is_here(packers[each.value])
        )

    def console(self, printed: bytes) -> str:
        """Return what a console printed as lines: no colours, no movements of the cursor."""
        return console_markers.plain(printed)

    def _find_out(self, reference: str, disk: str) -> None:
        lasts = _LASTS
        try:
            found = self._measure(reference, disk)
        except Exception as error:  # noqa: BLE001  else nobody would ever be told, and all wait
            known, lasts = explain.explained(error), _FAILURE_LASTS
            if known is None:
                _log.exception("%s could not be measured", reference)
            found = ImageOffer(
                refusal=str(known or f"a fault of holdstill itself: {error!r}"),
                hint=known.hint if known else "the page's log at the keeper says more",
            )
        with self._lock:
            self._busy = False
            while len(self._known) >= _MOST:
                del self._known[next(iter(self._known))]
            self._known.pop((reference, disk), None)
            self._known[reference, disk] = _Known(found, self._clock.monotonic() + lasts)


def _is_here(program: str) -> bool:
    return shutil.which(program, path=process.PLAIN_ENVIRONMENT["PATH"]) is not None
