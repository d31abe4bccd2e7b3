"""How somebody gets in and out: a link becomes a session, and a session ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse

from holdstill.page.visit import Page

if TYPE_CHECKING:
    from starlette.responses import Response

    from holdstill.page.guess_limit import GuessLimit
    from holdstill.page.links import Links
    from holdstill.page.sessions import Sessions
    from holdstill.page.visit import Visit

PATH = "/enter"


@dataclass(frozen=True)
class Entrance:
    """The way in and out.

    Attributes:
        cookie: the cookie's name.
        is_secure: whether it goes by TLS only.
    """

    links: Links
    sessions: Sessions
    guesses: GuessLimit
    is_secure: bool = False

    @property
    def cookie(self) -> str:
        """Its name; with the prefix a browser takes it from no other host (RFC 6265bis, 4.1.3)."""
        return "__Host-holdstill" if self.is_secure else "holdstill"

    @property
    def pages(self) -> tuple[Page, ...]:
        """The pages of the entrance."""
        return (
            Page(PATH, self.shown, role=None),
            Page(PATH, self.entered, role=None, is_changing=True),
            Page("/leave", self.left, role=None, is_changing=True),
        )

    def shown(self, visit: Visit) -> Response:
        """Ask whether to enter: a link that a program looks at beforehand is not used up by it."""
        return visit.page("enter.html", link=visit.query.get("link", ""))

    def entered(self, visit: Visit) -> Response:
        """Exchange a link for a session."""
        role = self.links.redeem(visit.form.get("link", ""))
        if role is None:
            return self.refused(visit)
        response = RedirectResponse("/", 303)
        response.set_cookie(
            self.cookie, self.sessions.begin(role), path="/", httponly=True,
            samesite="strict", secure=self.is_secure,
        )  # fmt: skip
        return response

    def left(self, visit: Visit) -> Response:
        """End a session, here and in the browser."""
        self.sessions.end(visit.token)
        response = visit.page("left.html")
        response.delete_cookie(
            self.cookie, path="/", httponly=True, samesite="strict", secure=self.is_secure
        )
        return response

    def refused(self, visit: Visit) -> Response:
        """Send somebody away who has no session, or a link that is not good."""
        if self.guesses.is_reached():
            return visit.page("refused.html", status=429, is_reached=True)
        return visit.page("refused.html", status=403, is_reached=False)
