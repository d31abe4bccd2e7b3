"""The outside world of a rebuild."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.workflow.ports import Progress


def _nobody_asked() -> bytes:
    """Refuse: whoever rebuilds an encrypted container has to say what unlocks it.

    Raises:
        UsageError: always.
    """
    raise UsageError(
        "this capture has an encrypted container, and no passphrase was given for it",
        hint="`--passphrase-file FILE`, or `--plain` to write its content unencrypted",
    )


@dataclass(frozen=True)
class RebuildDependencies:
    """The outside world, as a rebuild reaches it.

    Attributes:
        passphrase: gives what will unlock encrypted containers; is called once, when there is one.
    """

    machine: Runner
    clock: Clock
    progress: Progress
    passphrase: Callable[[], bytes] = _nobody_asked
