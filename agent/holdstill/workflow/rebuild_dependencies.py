"""The outside world of a rebuild."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.workflow.ports import Progress


@dataclass(frozen=True)
class RebuildDependencies:
    """The outside world, as a rebuild reaches it."""

    machine: Runner
    clock: Clock
    progress: Progress
