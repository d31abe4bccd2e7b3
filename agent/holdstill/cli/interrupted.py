"""What is said when a command was interrupted: in which state it leaves what it writes to."""

from __future__ import annotations

_NOTHING = "nothing was changed"
_SAY_AGAIN = "what is done stays done; say the same again, and it goes on with the rest"
_OF = {
    "audit": _NOTHING,
    "bootcheck": _NOTHING,
    "compare": _NOTHING,
    "connect": _SAY_AGAIN,
    "find": _NOTHING,
    "get": "what is whole has its own name; what is not ends in .incomplete, and may be deleted",
    "inspect": _NOTHING,
    "keeper accept": "what was accepted is in the ledger; `holdstill list` shows what is not",
    "keeper recount": "the accounts may be of some boards only; say the same again",
    "keeper remove": _SAY_AGAIN,
    "keeper setup": _SAY_AGAIN,
    "keeper watch": "nobody is told twice; the next look tells what was not told",
    "list": _NOTHING,
    "offsite restore": "the new store is not complete; say the same again, and it goes on",
    "offsite upload": "off-site counts what was finished; the next run goes on from there",
    "offsite verify": _NOTHING,
    "page": "the page answers no more; captures are as they were",
    "resume": "say the same again: what could not be undone is remembered",
    "setup": _SAY_AGAIN,
    "show": _NOTHING,
    "status": _NOTHING,
    "thin": "each capture is whole, or deleted as a whole; say the same again to go on",
    "verify": "nothing was changed; what was found good is passed over by --within from now on",
}
"""By the words of a command, for one that notes nothing itself."""
_ANY = "what is half-done, if anything, is taken for whole by nobody: run it again"


def told(error: BaseException, words: list[str]) -> str:
    """Return what to say after `interrupted`, of the command with these words."""
    for cause in (error, error.__cause__):
        if notes := getattr(cause, "__notes__", ()):
            return "; ".join(notes)
    return _OF.get(" ".join(words[:2])) or _OF.get(words[0] if words else "", _ANY)
