"""Put together the manifest of a capture from what the run found out."""

from __future__ import annotations

from importlib import metadata
from typing import TYPE_CHECKING

import msgspec

from holdstill.model.entries import Omitted
from holdstill.model.layout import Raw
from holdstill.model.manifest import Attachment, CapturedPart, Grade, SwapFile
from holdstill.model.paths import display
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from holdstill.board.layout import BoardPart
    from holdstill.records.index_file import Index
    from holdstill.workflow.capture_method import MethodChoice


def agent_version() -> str:
    """Return this program's version."""
    return metadata.version("holdstill")


def attachment(path: Path, name: str) -> Attachment:
    """Describe a file that goes beside the manifest."""
    return Attachment(name=name, sha256=files.hash_file(path).hex(), size=path.stat().st_size)


def captured_part(
    part: BoardPart,
    *,
    chosen: MethodChoice,
    grade: Grade,
    index: Index,
    detection: str,
    excluded: Sequence[str],
    unreadable: Sequence[bytes],
    raws: Mapping[int, Attachment],
) -> CapturedPart:
    """Describe one partition as it is in the capture.

    Args:
        part: the partition.
        chosen: how it was captured.
        grade: what was reached.
        index: the finished index.
        detection: how changes were found.
        excluded: patterns whose contents stayed out.
        unreadable: paths that the card did not give back.
        raws: raw copies, by partition.
    """
    totals = index.totals(part.number)
    file_system = part.file_system
    if part.number in raws:
        copy = raws[part.number]
        kind = file_system.type if isinstance(file_system, Raw) else kind_of(part)
        file_system = Raw(type=kind, digest=copy.sha256, size=copy.size)
    return CapturedPart(
        number=part.number,
        grade=grade,
        file_system=file_system,
        mount=part.place,
        options=part.mount.options if part.mount else "",
        detection=detection or str(chosen.way),
        entries=totals.entries,
        files=totals.files,
        content_bytes=totals.content_bytes,
        excluded=tuple(excluded),
        unreadable=tuple(display(path) for path in unreadable),
    )


def kind_of(part: BoardPart) -> str:
    """Return the short name of what a partition holds."""
    words = msgspec.to_builtins(part.file_system)
    return str(words.get("type") or words["kind"])


def swap_files(index: Index, parts: Iterable[int]) -> tuple[SwapFile, ...]:
    """Describe the files that are in use as swap: they are made anew, empty, by a rebuild."""
    return tuple(
        SwapFile(partition=part, path=display(entry.path), size=entry.size)
        for part in sorted(parts)
        for entry in index.omitted(part)
        if entry.omitted is Omitted.SWAP
    )
