"""The form by which an image is ordered: read, and judged. Pure."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.model import names, sizes
from holdstill.model.sizes import MIB, human
from holdstill.page.job_records import JobKind, Order, Packing

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from holdstill.page.image_offer import ImageOffer

SIZE_MOST = 16 << 40
"""Bytes: beyond that no ext4 with blocks of 4 KiB has a file (ext4(5))."""
_LONGEST = 20
"""Characters of a size."""
_NAME_MOST = 64
"""Characters of a name that are looked at: one more than a board's may have."""
_DISK = re.compile(r"all|[1-9][0-9]{0,2}|")


def disk(text: str) -> str:
    """Return which disk is meant: a number, `all`, or "" where there is one.

    Raises:
        UsageError: it is none.
    """
    if _DISK.fullmatch(text) is None:
        raise UsageError(f"{text[:_LONGEST]!r} is no disk", hint="give its number, or `all`")
    return text


def order(
    form: Mapping[str, str],
    board: str,
    capture: str,
    *,
    offer: ImageOffer,
    packings: Sequence[Packing],
) -> Order:
    """Return what a form orders.

    Raises:
        UsageError: something in it is not to be had.
    """
    if offer.refusal:
        raise UsageError(offer.refusal, hint=offer.hint)
    size = _size(form)
    if size < offer.smallest:
        raise UsageError(
            f"{human(size)} are too few: the smallest that fits has {human(offer.smallest)}",
            hint="take a larger size",
        )
    packing = _packing(form.get("format", ""), packings)
    return Order(
        kind=JobKind.IMAGE,
        board=names.check_board(board),
        capture=str(names.CaptureName.parse(capture)),
        disk=disk(form.get("disk", "")) or ("1" if offer.disks else ""),
        size=size,
        packing=packing,
        sibling=_sibling(form, board),
        room=offer.room(size, packing),
    )


def _size(form: Mapping[str, str]) -> int:
    """Return the chosen size, or the one that was written beside it, which is rounded."""
    own = form.get("own", "").strip()
    text = own or form.get("size", "").strip()
    if len(text) > _LONGEST:
        raise UsageError("that is no size", hint="write 7.5G, or bytes")
    size = sizes.align_down(sizes.parse_size(text), MIB if own else sizes.SECTOR)
    if not 0 < size <= SIZE_MOST:
        raise UsageError(
            f"{text} is no size of a card",
            hint=f"it has 1 MiB at least, {human(SIZE_MOST)} at most",
        )
    return size


def _packing(text: str, packings: Sequence[Packing]) -> Packing:
    for each in packings:
        if each == text:
            return each
    ours = ", ".join(packings)
    raise UsageError(
        f"{text[:_LONGEST]!r} is no format that can be made here", hint=f"take {ours}"
    )


def _sibling(form: Mapping[str, str], board: str) -> str:
    match form.get("identity", ""):
        case "replacement":
            return ""
        case "sibling":
            name = names.check_board(form.get("name", "").strip()[:_NAME_MOST])
            if name == board:
                raise UsageError(
                    "a sibling needs a name of its own", hint=f"any but {board}: see the overview"
                )
            return name
        case _:
            raise UsageError("say what the card is to be", hint="a replacement, or a sibling")
