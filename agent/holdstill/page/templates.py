"""Templates: nothing foreign gets into a page but through here."""

from __future__ import annotations

import hashlib
from datetime import datetime
from importlib import resources
from typing import TYPE_CHECKING
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from holdstill.model import names, sizes
from holdstill.model.foreign_text import printable

if TYPE_CHECKING:
    from collections.abc import Mapping

_STATIC = resources.files("holdstill.page") / "static"


def styles() -> bytes:
    """Return the one style sheet."""
    return (_STATIC / "page.css").read_bytes()


def mark() -> bytes:
    """Return the sign that a browser shows beside the title, an SVG."""
    return (_STATIC / "mark.svg").read_bytes()


class Templates:
    """The templates of this package.

    Every text that a template shows is made printable, and then escaped: a template cannot forget
    it. What is a `Markup` already, as a macro's result is, passes.
    """

    def __init__(self, keeper: str) -> None:
        self._environment = Environment(
            loader=PackageLoader("holdstill.page"),
            autoescape=True,
            undefined=StrictUndefined,
            finalize=_finalized,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.filters |= {
            "size": sizes.human, "age": age, "moment": moment, "segment": segment,
            "number": number,
        }  # fmt: skip
        version = hashlib.sha256(styles() + mark()).hexdigest()[:12]
        self._environment.globals |= {
            "keeper": keeper, "counted": sizes.counted, "styles": f"/styles/{version}",
        }  # fmt: skip

    def rendered(self, template: str, values: Mapping[str, object]) -> str:
        """Return a page with these values."""
        return self._environment.get_template(template).render(values)


def _finalized(value: object) -> object:
    """Make a text fit to be shown, before it is escaped."""
    if isinstance(value, Markup):
        return value
    return printable(value) if isinstance(value, str | bytes) else value


def number(capture: str) -> str:
    """Return what a capture is called on pages: its number, which every command takes as well."""
    return str(names.CaptureName.parse(capture).seq) if names.is_capture(capture) else capture


def segment(text: str) -> str:
    """Return a text as one segment of an address (RFC 3986, 3.3)."""
    return quote(text, safe="")


def age(days: float) -> str:
    """Write an age for people: in minutes for an hour, in hours for two days, then in days."""
    if days * 24 < 1:
        return f"{days * 24 * 60:.0f} min"
    return f"{days * 24:.0f} h" if days < 2 else f"{days:.0f} d"


def moment(text: str) -> str:
    """Write an RFC 3339 moment for people, to the minute, in UTC; "" for none."""
    try:
        return f"{datetime.fromisoformat(text):%Y-%m-%d %H:%M}"
    except ValueError:
        return text
