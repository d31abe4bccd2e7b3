"""One way of keeping one service quiet: what every kind of hook and every recipe has in common."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Mapping
    from contextlib import AbstractContextManager

    from holdstill.model.settings import Hook
    from holdstill.system.clocks import Clock

ServiceState = dict[str, str]
"""What has to be known of a service before it is touched, so that it can be put back."""


class LineDialog(Protocol):
    """A running program that answers lines with lines."""

    def ask(self, words: str, *, until: str, seconds: float) -> str:
        """Send a line; return the answer before the line `until`."""


class HookRunner(Protocol):
    """Runs commands that may misbehave; `system.time_limited.BoundedRunner` is one."""

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        """Return what the command wrote; raise CommandError if it failed or took too long."""

    def dialog(self, command: Command) -> AbstractContextManager[LineDialog]:
        """Keep a command running for the length of the block, and talk to it."""


class ServiceControl(Protocol):
    """How one service is kept quiet."""

    def inspect(self) -> ServiceState:
        """Find out how the service is now; change nothing."""

    def quiesce(self, before: Mapping[str, str], /) -> None:
        """Make it quiet. May fail half-way: `resume` follows in any case."""

    def resume(self, before: Mapping[str, str], /) -> None:
        """Put it back as it was. Harmless if there is nothing to put back, or done twice."""


class HookSession:
    """The machine, for one hook, with the hook's time limit over several commands."""

    def __init__(self, hook: Hook, machine: HookRunner, clock: Clock) -> None:
        self.hook = hook
        self.machine = machine
        self.clock = clock
        self._deadline = clock.monotonic() + hook.timeout

    def start(self) -> None:
        """Restart the timeout."""
        self._deadline = self.clock.monotonic() + self.hook.timeout

    @property
    def left(self) -> float:
        """Seconds that are left of the timeout, at least 0.01."""
        return max(0.01, self._deadline - self.clock.monotonic())

    @property
    def is_over(self) -> bool:
        """Whether the timeout has passed."""
        return self.clock.monotonic() >= self._deadline

    def run(
        self,
        *words: str,
        stdin: str = "",
        accepted: tuple[int, ...] = (0,),
        environment: tuple[tuple[str, str], ...] = (),
    ) -> str:
        """Run a command within the timeout; return its output.

        Raises:
            CommandError: it failed, or took too long.
        """
        command = Command(words, self.left, accepted, environment)
        output = self.machine.run(command, stdin=stdin.encode())
        return output.decode(errors="backslashreplace")

    def setting(self, name: str, default: str = "") -> str:
        """Return one of the hook's own settings."""
        return self.hook.settings.get(name, default)
