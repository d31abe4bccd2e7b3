"""One request for one page, as a view gets it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Protocol

from starlette.responses import HTMLResponse

from holdstill.page.roles import Role

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from starlette.responses import Response

    from holdstill.page.templates import Templates


@dataclass(frozen=True)
class Visit:
    """A request of somebody who may make it.

    Attributes:
        place: what stands in the address where the route has names.
        query, form: what was asked for behind the address, and in a form's body; of a name that
            is there twice, the last.
        role: what the visitor may do; None for somebody who is not let in yet.
        token: of the session, "" for none.
    """

    templates: Templates
    path: str = "/"
    place: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)
    form: Mapping[str, str] = field(default_factory=dict)
    role: Role | None = None
    token: str = ""

    def may(self, role: Role) -> bool:
        """Return whether the visitor may do what this role is needed for."""
        return self.role is not None and self.role.allows(role)

    def page(self, template: str, *, status: int = 200, **values: object) -> Response:
        """Return a page made of a template and what it shows."""
        text = self.templates.rendered(template, {"visit": self, **values})
        return HTMLResponse(text, status)


class View(Protocol):
    """What answers a request; it runs in a thread, and may wait."""

    def __call__(self, visit: Visit) -> Response:
        """Return the answer.

        Raises:
            HoldstillError, OSError: told on a page of its own.
        """


class Turn(Enum):
    """For what an answer waits, so that few of a kind are made at a time."""

    NONE = "none"
    READING = "reading"
    """It reads an index, which may have to be put together first."""
    HEAVY = "heavy"
    """It takes much time or memory."""


@dataclass(frozen=True)
class Page:
    """A place of the site.

    Attributes:
        path: as Starlette's routes have it, such as /boards/{board}.
        role: what somebody must be allowed to see it; None where nobody was let in yet.
        is_changing: whether it is a form's target, asked for with POST, and not with GET.
        turn: for what its answers wait.
    """

    path: str
    view: Callable[[Visit], Response]
    role: Role | None = Role.LOOK
    is_changing: bool = False
    turn: Turn = Turn.NONE
