"""The boot gap of a capture, read back out of its attachment."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.disks import boot_gap
from holdstill.errors import SecurityError
from holdstill.records import assembled

if TYPE_CHECKING:
    from holdstill.disks.boot_gap import GapExtent
    from holdstill.model.manifest import Attachment
    from holdstill.model.sealed_capture import ContentSource


def read(source: ContentSource, attachment: Attachment, *, of: str = "") -> list[GapExtent]:
    """Return the extents of a boot gap, which may come from anybody.

    Args:
        source: gives the contents.
        attachment: the gap file.
        of: what capture it belongs to, for errors; "" where that is told anyway.

    Raises:
        VerificationError: it is not there, or its bytes are not those that were sealed.
        SecurityError: it is no boot gap file.
    """
    data = assembled.read(source, attachment, limit=boot_gap.SIZE_MAX)
    try:
        return boot_gap.decode(data)
    except SecurityError as error:
        raise SecurityError(
            f"{of and f'{of}: '}{attachment.name}: {error}",
            hint="no card can be made of this capture; its board sent it so. Take another one: "
            "`holdstill list` shows them, and `holdstill get` gives single files of this one, too",
        ) from error
