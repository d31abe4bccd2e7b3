"""The tree of errors. Each message names what failed, where, and what to do next.

    HoldstillError              70  (our own fault when it has no better class)
    +- UsageError                2  invalid arguments or settings
    |  +- DocumentError          2  a document with problems, all of them listed
    +- BusyError                 3  another run is active
    +- PreflightError            4  refused before anything was touched
    |  +- LayoutError            4  the board's disk layout cannot be understood
    +- MachineError              4  this machine, or a file on it, did not allow it
    +- PauseError                5  services or file systems could not be held still
    +- LinkError                 6  the way to the keeper failed
    |  +- ConnectionLostError    6  a connection that was there is gone
    |  +- CommandError           6  a program we depend on failed
    +- VerificationError         7  bytes are not what they should be
    +- DegradedError             8  sealed, but something needs attention
    +- SecurityError             9  refused as unsafe
    +- TargetRefusedError       10  this card or image is not to be written
    +- TargetFailedError        11  writing the card or image failed
    +- NightOverError           12  the night's time was over; what was sent is kept

The numbers are exit codes and stable interface.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


class HoldstillError(Exception):
    """A failure that the reader of the message can act on."""

    exit_code: ClassVar[int] = 70

    def __init__(self, what: str, *, hint: str = "") -> None:
        super().__init__(what)
        self.hint = hint


def worst(codes: Iterable[int]) -> int:
    """Return the exit code of several things together: any failure goes before a mere warning."""
    return max(
        codes, key=lambda code: (code != 0, code != DegradedError.exit_code, code), default=0
    )


class UsageError(HoldstillError):
    """Invalid arguments or settings."""

    exit_code = 2


class DocumentError(UsageError):
    """A document with problems; `problems` has one line each, with its key path."""

    def __init__(self, name: str, problems: Sequence[str], *, hint: str = "") -> None:
        count = f"{len(problems)} problem" + ("s" if len(problems) != 1 else "")
        super().__init__(f"{name} has {count}:\n  " + "\n  ".join(problems), hint=hint)
        self.problems = tuple(problems)


class BusyError(HoldstillError):
    """Another run is active."""

    exit_code = 3


class PreflightError(HoldstillError):
    """Refused before anything was touched."""

    exit_code = 4


class LayoutError(PreflightError):
    """The board's disk layout cannot be understood."""


class MachineError(HoldstillError):
    """This machine, or a file on it, did not allow what was to be done."""

    exit_code = 4


class PauseError(HoldstillError):
    """Services or file systems could not be held still; everything runs again."""

    exit_code = 5


class LinkError(HoldstillError):
    """The way to the keeper failed."""

    exit_code = 6


class ConnectionLostError(LinkError):
    """A connection to the keeper is gone; what the keeper has, it keeps.

    Attributes:
        moved: bytes of a transfer's files that were there when it broke.
    """

    def __init__(self, what: str, *, hint: str = "", moved: int = 0) -> None:
        super().__init__(what, hint=hint)
        self.moved = moved


class CommandError(LinkError):
    """A program failed; the message has its own output."""

    def __init__(self, command: str, status: int, words: bytes, *, hint: str = "") -> None:
        output = words.decode(errors="backslashreplace").strip()
        super().__init__(f"`{command}` ended with status {status}: {output}", hint=hint)
        self.status = status
        self.words = words


class VerificationError(HoldstillError):
    """Bytes are not what they should be."""

    exit_code = 7


class DamagedContentError(VerificationError):
    """A content has other bytes than its digest says.

    Attributes:
        digest: SHA-256 in its name, 64 hexadecimal digits.
    """

    def __init__(self, what: str, digest: str) -> None:
        super().__init__(
            f"{what} is damaged: content {digest}",
            hint="`holdstill verify` lists what is damaged; --repair asks the board for it",
        )
        self.digest = digest


class DegradedError(HoldstillError):
    """The capture is sealed, but something needs attention."""

    exit_code = 8


class SecurityError(HoldstillError):
    """Refused as unsafe; nothing was deleted or overwritten."""

    exit_code = 9


class TargetRefusedError(HoldstillError):
    """This card or image is not to be written; it was not touched."""

    exit_code = 10


class TargetFailedError(HoldstillError):
    """Writing the card or image failed; it carries no valid partition table."""

    exit_code = 11


class NightOverError(HoldstillError):
    """The night's time was over; what was sent is kept, and the next night goes on from there."""

    exit_code = 12
