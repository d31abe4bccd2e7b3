"""Ways to keep a service quiet without knowing what it is: commands, units, containers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import CommandError, PauseError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.board.service_control import HookSession, ServiceState

RUNNING = frozenset({"active", "activating", "reloading", "refreshing"})
"""States of a unit that was running, and so has to run again (systemctl(1))."""
ENGINES = ("docker", "podman")
_INSPECT = "{{.State.Running}} {{.State.Paused}}"


class CommandControl:
    """The hook's own two commands."""

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Nothing is known of the service."""
        return {}

    def quiesce(self, _before: Mapping[str, str]) -> None:
        """Run the hook's `quiesce`."""
        self._run(self._shift.hook.quiesce)

    def resume(self, _before: Mapping[str, str]) -> None:
        """Run the hook's `resume`."""
        self._run(self._shift.hook.resume)

    def _run(self, words: tuple[str, ...]) -> None:
        if words:
            self._shift.run(*words)


def unit_state(shift: HookSession) -> dict[str, str]:
    """Read the state of the hook's unit from systemd.

    Raises:
        PauseError: there is no such unit.
    """
    unit = shift.hook.subject
    names = "--property=LoadState,ActiveState,FreezerState"
    state = parse_properties(shift.run("systemctl", "show", names, "--", unit))
    if state.get("LoadState") != "loaded":
        raise PauseError(
            f"{unit}: systemd says {state.get('LoadState', 'nothing')} of this unit",
            hint="`systemctl list-units` shows the names",
        )
    return state


def parse_properties(text: str) -> dict[str, str]:
    """Understand the answer of `systemctl show`."""
    pairs = (line.partition("=") for line in text.splitlines())
    return {name: value for name, equals, value in pairs if equals}


class StopUnitControl:
    """Stop a unit, and start it again if it was running."""

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Note whether the unit is running."""
        return {"state": unit_state(self._shift)["ActiveState"]}

    def quiesce(self, before: Mapping[str, str]) -> None:
        """Stop the unit, and wait until it is."""
        if before["state"] in RUNNING:
            self._shift.run("systemctl", "stop", "--", self._shift.hook.subject)

    def resume(self, before: Mapping[str, str]) -> None:
        """Start the unit, and wait until it is."""
        if before["state"] in RUNNING:
            self._shift.run("systemctl", "start", "--", self._shift.hook.subject)


class FreezeUnitControl:
    """Freezes a unit's processes (control group freezer); nothing is written out."""

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Record whether the unit is running, and not frozen by something else."""
        state = unit_state(self._shift)
        running = state["ActiveState"] in RUNNING
        frozen = state.get("FreezerState", "running") != "running"
        return {"mine": "yes" if running and not frozen else "no"}

    def quiesce(self, before: Mapping[str, str]) -> None:
        """Freeze the unit."""
        if before["mine"] == "yes":
            self._shift.run("systemctl", "freeze", "--", self._shift.hook.subject)

    def resume(self, before: Mapping[str, str]) -> None:
        """Thaw the unit; one that is not frozen any more is left as it is."""
        if before["mine"] == "yes":
            self._shift.run("systemctl", "thaw", "--", self._shift.hook.subject)


class ContainerControl:
    """Pauses a container's processes; nothing is written out."""

    def __init__(self, shift: HookSession) -> None:
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Note which engine runs the container, and whether it is paused already."""
        wanted = self._shift.setting("engine")
        failures = []
        for engine in (wanted,) if wanted else ENGINES:
            try:
                state = self._state(engine)
            except CommandError as error:
                failures.append(error)
            else:
                return {"engine": engine, "mine": "yes" if state == "true false" else "no"}
        raise failures[0]

    def _state(self, engine: str) -> str:
        """Return "true false" for a container that runs and is not paused."""
        name = self._shift.hook.subject
        words = (engine, "container", "inspect", "--format", _INSPECT, name)
        return self._shift.run(*words).strip()

    def quiesce(self, before: Mapping[str, str]) -> None:
        """Pause the container."""
        if before["mine"] == "yes":
            self._shift.run(before["engine"], "pause", self._shift.hook.subject)

    def resume(self, before: Mapping[str, str]) -> None:
        """Unpause the container, if it is there and paused."""
        if before["mine"] == "yes" and self._state(before["engine"]) == "true true":
            self._shift.run(before["engine"], "unpause", self._shift.hook.subject)
