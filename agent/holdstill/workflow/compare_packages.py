"""What differs between the installed packages of two systems."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model import paths, tree_views
from holdstill.model.layout import Record
from holdstill.workflow import dpkg_status

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.workflow.compare_sources import CompareSource


class PackageChange(Record, frozen=True, kw_only=True):
    """A package with another version; "" where it is not installed."""

    name: str
    before: str
    after: str


def installed_changes(
    before: CompareSource, after: CompareSource
) -> tuple[PackageChange, ...] | None:
    """Compare the installed packages; None when one side does not list them."""
    old = _installed(before)
    new = None if old is None else _installed(after)
    return None if old is None or new is None else package_changes(old, new)


def _installed(side: CompareSource) -> dict[str, str] | None:
    """Return the packages of a side; its list is let go of before that of the other is read."""
    content = _status(side)
    return None if content is None else dpkg_status.installed(content)


def _status(side: CompareSource) -> bytes | None:
    place = "/" + dpkg_status.STATUS.decode()
    for part in side.parts:
        found = tree_views.showing(part.views, place)
        if found and found[0].is_root:
            return side.read(part.number, found[1], limit=dpkg_status.LIMIT)
    return None


def package_changes(old: Mapping[str, str], new: Mapping[str, str]) -> tuple[PackageChange, ...]:
    """Return what has come, gone, or has another version, by name."""
    return tuple(
        PackageChange(name=paths.display(name.encode()), before=old.get(name, ""),
                      after=new.get(name, ""))
        for name in sorted({*old, *new})
        if old.get(name) != new.get(name)
    )  # fmt: skip
