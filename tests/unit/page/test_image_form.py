"""What the form for an image takes, and what it does not."""

from __future__ import annotations

import pytest

from holdstill.errors import UsageError
from holdstill.model import sizes
from holdstill.model.sizes import GIB, MIB
from holdstill.page import image_form, image_offer
from holdstill.page.image_offer import ImageOffer
from holdstill.page.job_records import JobKind, Order, Packing

OFFER = ImageOffer(captured=16 * GIB, smallest=3 * GIB)
GOOD = {"size": str(4 * GIB), "format": ".img.xz", "identity": "replacement"}


def ordered(**fields: str) -> Order:
    return ordered_of(OFFER, fields)


def ordered_of(offer: ImageOffer, fields: dict[str, str]) -> Order:
    return image_form.order(
        GOOD | fields, "pier-3", "000042-20261125T021503Z", offer=offer, packings=tuple(Packing)
    )


def test_an_order_has_what_was_chosen() -> None:
    order = ordered()

    assert order.kind is JobKind.IMAGE
    assert (order.size, order.packing, order.sibling) == (4 * GIB, Packing.XZ, "")
    assert order.file_name == "pier-3-000042.img.xz"
    assert order.room >= 2 * OFFER.smallest


@pytest.mark.parametrize(
    ("own", "size"), [("7.5G", 7680 * MIB), ("8000000000", 7629 * MIB), (" 4g ", 4 * GIB)]
)
def test_a_size_that_is_written_goes_before_the_chosen_one(own: str, size: int) -> None:
    assert ordered(own=own).size == size


def test_a_sibling_is_named_in_its_file() -> None:
    order = ordered(identity="sibling", name=" pier-4 ", disk="2")

    assert order.sibling == "pier-4"
    assert order.file_name == "pier-4-from-pier-3-000042-disk-2.img.xz"


@pytest.mark.parametrize(
    "fields",
    [
        {"size": ""},
        {"size": "0"},
        {"size": "-1"},
        {"size": "1e9"},
        {"size": "inf"},
        {"size": "nan"},
        {"size": "3G; rm"},
        {"size": "٤G"},
        {"own": "9" * 400},
        {"own": "99999999999999999T"},
        {"own": "17T"},
        {"own": "2.9G"},
        {"format": ""},
        {"format": ".IMG"},
        {"format": ".img.gz"},
        {"format": "../../etc/passwd"},
        {"format": ".img.xz\0"},
        {"identity": ""},
        {"identity": "both"},
        {"identity": "sibling", "name": ""},
        {"identity": "sibling", "name": "pier-3"},
        {"identity": "sibling", "name": "../pier-4"},
        {"identity": "sibling", "name": "pier-4\n"} | {"name": "pier 4"},
        {"identity": "sibling", "name": "a" * 100_000},
        {"identity": "sibling", "name": "<script>"},
        {"disk": "0"},
        {"disk": "-1"},
        {"disk": "1/../2"},
        {"disk": "9999"},
        {"disk": "ALL"},
    ],
)
def test_what_is_not_to_be_had_is_refused_in_words(fields: dict[str, str]) -> None:
    with pytest.raises(UsageError) as refused:
        ordered(**fields)

    assert len(str(refused.value)) < 300


def test_nothing_is_ordered_of_what_cannot_be_made() -> None:
    with pytest.raises(UsageError, match="altered"):
        ordered_of(ImageOffer(refusal="it was altered"), {})


def test_sizes_are_offered_that_fit_and_any_card_of_that_name_has() -> None:
    offered = OFFER.sizes()

    # 4 GB is 3.73 GiB; a twentieth less is 3.54 GiB.
    assert [choice.size for choice in offered][:2] == [16 * GIB, 3620 * MIB]
    assert offered[-1].size == OFFER.smallest
    assert all(OFFER.smallest <= choice.size for choice in offered)


@pytest.mark.parametrize("gigabytes", image_offer.CARDS)
def test_an_image_for_a_card_leaves_a_twentieth_of_what_is_printed(gigabytes: int) -> None:
    size = image_offer.of_card(gigabytes)

    assert size % (4 * MIB) == 0
    assert 0.94 * gigabytes * 10**9 < size <= 0.95 * gigabytes * 10**9


def test_a_size_of_more_digits_than_a_float_has_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match="more than any disk has"):
        sizes.parse_size("9" * 400)
