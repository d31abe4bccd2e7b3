"""What somebody at the page may do; each role may do what those before it may."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """What a session may do."""

    LOOK = "look"
    """See boards, captures, and the names of files."""
    FILES = "files"
    """Take files out of captures as well: keys and personal data among them."""
    IMAGES = "images"
    """Have images of cards made as well, and rehearse them: hours of computing, and much room."""

    def allows(self, needed: Role) -> bool:
        """Return whether this role may do what that one is needed for."""
        order = tuple(Role)
        return order.index(self) >= order.index(needed)
