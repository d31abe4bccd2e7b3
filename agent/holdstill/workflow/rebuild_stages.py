"""The stages of a rebuild, in words, and how long each is thought to take. Pure.

The rates are those of a card in a common reader (common practice), or of an image on a disk; what
is measured meanwhile corrects them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, assert_never

from holdstill.model.estimate import Stage
from holdstill.model.sizes import MIB
from holdstill.rebuild.steps import (
    AnyStep,
    ClearTables,
    Flush,
    LeaveEmpty,
    MakeArray,
    MakeExt4,
    MakeFat,
    MakeLuks,
    MakeLvm,
    MakeOther,
    MakeSwap,
    PutBootArea,
    PutGap,
    PutRaw,
    ReadBack,
    WriteTable,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.rebuild.planner import Plan

PROBE = "checking that the card keeps what is written to it"
BOOT_CHECK = "looking whether it would boot"
_FILL = 60 * MIB
"""Bytes a second by which a file system is filled, into memory for the most part."""
_ONTO_CARD, _ONTO_DISK = 15 * MIB, 150 * MIB
_FROM_CARD, _FROM_DISK = 40 * MIB, 150 * MIB
_PACKED = {
    ".zst": (150 * MIB, 1500 * MIB), ".xz": (12 * MIB, 100 * MIB), ".zip": (40 * MIB, 300 * MIB),
}  # fmt: skip
"""Bytes a second by which an image is packed, by its last suffix: of contents, and of zeroes."""
_SHORT = 0.3
"""Seconds of what writes next to nothing."""


def closing_words(path: Path) -> str:
    """Return what is done to an image when all is in it."""
    return f"packing the image as {path.suffix}" if path.suffix in _PACKED else "closing the image"


def of_plan(plan: Plan, manifest: Manifest, path: Path, *, is_device: bool) -> tuple[Stage, ...]:
    """Return the stages of carrying a plan out, closing the target included."""
    contents = {part.number: part.content_bytes for part in manifest.parts}
    total = sum(contents.values())
    stages = []
    for step in plan.steps:
        stages.append(Stage(words(step), _seconds(step, contents, total, is_device=is_device)))
        if isinstance(step, ClearTables) and is_device:
            stages.append(Stage(PROBE, 5.0))
    stages.append(Stage(BOOT_CHECK, 1.0))
    if not is_device:
        full, empty = _PACKED.get(path.suffix, (20 * _ONTO_DISK, 0))
        zeroes = plan.disk.size / empty if empty else 0.0
        stages.append(Stage(closing_words(path), _SHORT + total / full + zeroes))
    return tuple(stages)


def _seconds(step: AnyStep, contents: Mapping[int, int], total: int, *, is_device: bool) -> float:
    match step:
        case Flush():
            return _SHORT + total / (_ONTO_CARD if is_device else _ONTO_DISK)
        case ReadBack():
            return _SHORT + total / (_FROM_CARD if is_device else _FROM_DISK)
        case MakeFat() | MakeExt4() | MakeOther():
            return _SHORT + contents.get(step.number, 0) / _FILL
        case PutRaw() | MakeLuks():
            return _SHORT + step.size / _FILL
        case _:
            return _SHORT


def words(step: AnyStep) -> str:
    """Say what a step does."""
    match step:
        case ClearTables():
            return "clearing the old partition tables"
        case PutGap():
            return "writing the boot gap"
        case PutBootArea():
            return f"writing the boot area {step.area}"
        case MakeFat():
            return f"writing the files of partition {step.number} (FAT)"
        case MakeExt4():
            return f"writing the files of partition {step.number} (ext4)"
        case MakeOther():
            return f"writing the files of partition {step.number} ({step.parameters.type})"
        case MakeSwap():
            return f"making the swap area, partition {step.number}"
        case PutRaw():
            return f"writing partition {step.number} as it was"
        case LeaveEmpty():
            return f"leaving partition {step.number} empty"
        case MakeLvm():
            return f"making the volume group of partition {step.number}"
        case MakeArray():
            return f"making the array of partition {step.number}"
        case MakeLuks():
            return f"encrypting partition {step.number}"
        case Flush():
            return "bringing everything to the medium"
        case ReadBack():
            return "reading everything back"
        case WriteTable():
            return "writing the partition table"
        case unknown:
            assert_never(unknown)
