"""Shows the keeper that this board has contents which it has from other boards already."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import LinkError
from holdstill.model.protocol import Proof

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.model.protocol import Lacking
    from holdstill.workflow.ports import Keeper


class ChallengeLostError(LinkError):
    """The question that a proof answers was put on a connection that is gone: ask again."""


def to_send(
    keeper: Keeper, lacking: Lacking, keyed: Callable[[str, bytes], bytes | None]
) -> tuple[str, ...]:
    """Prove what the keeper wants proven; return what must be sent.

    Args:
        keeper: whom to prove it to.
        lacking: its answer.
        keyed: returns HMAC-SHA256 of a content's bytes by its digest and the nonce; None when
            they cannot be read. Bytes that changed meanwhile prove nothing, and are sent.

    Raises:
        ChallengeLostError: the keeper has to be asked again.
    """
    macs = {digest: keyed(digest, lacking.nonce) for digest in lacking.prove}
    proofs = [Proof(digest=digest, mac=mac) for digest, mac in macs.items() if mac is not None]
    unproven = keeper.prove(proofs) if proofs else ()
    unread = (digest for digest, mac in macs.items() if mac is None)
    return (*lacking.send, *unproven, *unread)
