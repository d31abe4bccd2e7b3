"""What is encrypted on the card and would be readable at the keeper: only by the owner's word."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import PreflightError
from holdstill.model.layout import Ext4, Luks, LvmPv, Other
from holdstill.model.settings import Encrypted
from holdstill.workflow.capture_method import HAS_FILES, CaptureMethod

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.model.layout import FileSystem
    from holdstill.model.settings import BoardSettings
    from holdstill.workflow.capture_method import MethodChoice


def remark(board: BoardLayout, chosen: Mapping[int, MethodChoice]) -> str:
    """Return a sentence on what a capture would hold unencrypted; "" for nothing."""
    found = ", ".join(str(part.device) for part in _containers(board, chosen))
    if not found:
        return ""
    return (
        f"what is encrypted on {found} is stored unencrypted at the keeper: whoever can read the "
        "store can read it"
    )


def refusal(
    settings: BoardSettings, board: BoardLayout, chosen: Mapping[int, MethodChoice]
) -> PreflightError | None:
    """Return why a capture is refused for that; None if it is not, or the settings insist."""
    text = remark(board, chosen)
    if not text or settings.encrypted is Encrypted.STORE_IN_CLEAR:
        return None
    numbers = ", ".join(str(part.number) for part in _containers(board, chosen))
    return PreflightError(
        text,
        hint="if that is what you want (the store may be encrypted as a whole), write `encrypted: "
        "store-in-clear` into the board's settings, or give `holdstill setup` the option "
        f"--store-in-clear; else leave it out (`leave_out: [{numbers}]`), unless / is in it",
    )


def encrypts_folders(system: FileSystem) -> bool:
    """Whether a file system may encrypt some of its own folders (fscrypt): ext4, and f2fs."""
    return isinstance(system, Ext4 | Other) and "encrypt" in system.features


def _containers(board: BoardLayout, chosen: Mapping[int, MethodChoice]) -> Iterator[BoardPart]:
    """Yield the encrypted containers of whose inside anything is stored, and what is like them."""
    for part in board.parts:
        if (
            encrypts_folders(part.file_system)
            and part.mount is not None  # else nobody has unlocked anything
            and chosen[part.number].method in HAS_FILES
        ):
            yield part  # its unlocked folders are read as they are
        inside = _with_groups(board, board.inside(part.number)) - {part.number}
        if isinstance(part.file_system, Luks) and any(
            chosen[other.number].method in {*HAS_FILES, CaptureMethod.RAW}
            for other in board.parts
            if other.partition in inside
        ):
            yield part


def _with_groups(board: BoardLayout, inside: frozenset[int] | set[int]) -> set[int]:
    """Return what is inside, with all volumes of the groups that have a physical volume there.

    A logical volume may lie on several, of which one alone is encrypted.
    """
    volumes = [
        (part.number, part.file_system.group_uuid)
        for part in board.parts
        if isinstance(part.file_system, LvmPv)
    ]
    groups = {group for number, group in volumes if number in inside}
    return {
        *inside,
        *(n for number, group in volumes if group in groups for n in board.inside(number)),
    }
