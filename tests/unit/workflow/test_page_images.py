"""What the page offers to make of captures: found out once, and told if that fails."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from holdstill.page.image_offer import ImageOffer
from holdstill.workflow.page_images import CaptureOffers

if TYPE_CHECKING:
    from support.keeping import FakeClock

CAPTURE = ("pier-3", "000042-20261125T021503Z", "")


@dataclass
class Measuring:
    """What is asked, and what comes of it."""

    fails: list[Exception] = field(default_factory=list)
    asked: int = 0

    def __call__(self, reference: str, disk: str) -> ImageOffer:
        self.asked += 1
        if self.fails:
            raise self.fails.pop()
        return ImageOffer(captured=4, smallest=3)


def offered(offers: CaptureOffers) -> ImageOffer | None:
    """Ask, and again when it was found out."""
    offers.offer(*CAPTURE)
    for each in threading.enumerate():
        if each.name == "measure":
            each.join(10)
    return offers.offer(*CAPTURE)


def test_an_offer_is_found_out_once(clock: FakeClock) -> None:
    measure = Measuring()
    offers = CaptureOffers(measure, clock)

    assert [offered(offers), offered(offers)] == [ImageOffer(captured=4, smallest=3)] * 2
    assert measure.asked == 1


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (BlockingIOError(11, "Resource temporarily unavailable"), "temporarily unavailable"),
        (RuntimeError("odd"), "a fault of holdstill itself"),
    ],
)
def test_what_could_not_be_found_out_is_told_and_soon_tried_again(
    clock: FakeClock, error: Exception, said: str
) -> None:
    measure = Measuring(fails=[error])  # such as fork(2), with no more processes allowed
    offers = CaptureOffers(measure, clock)

    found = offered(offers)
    clock.advance(31)

    assert found is not None
    assert said in found.refusal
    assert offered(offers) == ImageOffer(captured=4, smallest=3)
