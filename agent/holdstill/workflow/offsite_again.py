"""What is sent off-site once more: of packs that are mostly dead, and what is not there any more.

A pack can be gone: a lock that ended while the keeper was off, a rule of the bucket. What captures
here need of it is sent again, for nobody else asks whether a capture that was told of is there. So
is what nobody has proven to be there: only a head has told of it that these notes were made from.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, LinkError, MachineError
from holdstill.keeper import enrolment
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE
from holdstill.model import names
from holdstill.offsite import in_memory
from holdstill.system import files
from holdstill.workflow import explain

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.keeper.references import References
    from holdstill.keeper.store import Store
    from holdstill.offsite.sent import Sent
    from holdstill.offsite.upload import Uploader

_MOST = 100_000
"""Contents that one run looks for, of those that are in no pack: some 10 MB of memory."""


class Missing:
    """Which contents captures here need, and those of them that are in no pack that was put.

    Args:
        known: what they need.
        noted: what was sent.
    """

    def __init__(self, known: References, noted: Sent) -> None:
        self._known, self._noted = known, noted
        self._found: set[bytes] = set()

    def needed(self, low: bytes, high: bytes) -> frozenset[bytes]:
        """Return the digests from one up to another, not including it, that are needed."""
        needed = self._known.needed(low, high)
        if len(self._found) < _MOST:
            self._found |= needed - self._noted.sent(low, high)
        return needed

    def found(self) -> frozenset[bytes]:
        """Return those that were asked for and were not sent, and such documents."""
        lost = {one for one in self._noted.documents() if not self._noted.has(one)}
        return frozenset(self._found | lost)


def send_missing(store: Store, uploader: Uploader, digests: Iterable[bytes]) -> None:
    """Send what is in no pack still, after all captures were sent that nobody was told of.

    What is damaged here, or gone, `verify` names; the rest is sent.
    """
    opener = partial(open_again, store, uploader.sent)
    for digest in sorted(digests):
        try:
            uploader.send_missing(digest, opener)
        except FileNotFoundError:
            continue  # of a capture that is not here any more
        except (HoldstillError, OSError) as error:
            if ends_the_run(error):
                raise


def open_again(store: Store, noted: Sent, digest: bytes) -> int:
    """Return a descriptor of what was sent before: a content, a document or lines of a ledger."""
    document, lines = noted.document_of(digest), noted.lines_of(digest)
    if document is not None:
        name, capture, which = document
        board = names.check_board(name)
        folder = store.board_folder(board) / "captures" / capture
        enrolled = enrolment.path_of(store, board)
        paths = (folder / MANIFEST, folder / SIGNATURE, enrolled)
        return in_memory.opened(files.read_regular(paths[which]))
    if lines is not None:
        path = store.board_folder(names.check_board(lines.board)) / "ledger.jsonl"
        data = files.read_regular(path)[lines.offset : lines.offset + lines.length]
        return in_memory.opened(data)
    return store.contents.open(digest)


def ends_the_run(error: HoldstillError | OSError) -> bool:
    """Whether going on with the next capture would meet the same."""
    known = explain.explained(error)
    return known is None or isinstance(known, LinkError | MachineError)
