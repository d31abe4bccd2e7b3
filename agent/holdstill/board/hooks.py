"""Keep services quiet for the pause, and have every one of them running again afterwards.

The undo is recorded, in memory that outlives us, before the action; so a killed run's services
are put back by the end of the service, or by the next run. Nothing here runs while file systems
are frozen.
"""

from __future__ import annotations

import re
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, assert_never

import msgspec

from holdstill.board import database_hooks, root_owned
from holdstill.board.service_control import HookSession, ServiceState
from holdstill.board.service_hooks import (
    CommandControl,
    ContainerControl,
    FreezeUnitControl,
    StopUnitControl,
)
from holdstill.errors import DegradedError, HoldstillError, PauseError, UsageError
from holdstill.model.settings import Hook, HookHow

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from holdstill.board.service_control import HookRunner, ServiceControl
    from holdstill.board.undo_log import PendingUndo, UndoLog
    from holdstill.system.clocks import Clock

KIND = "resume"
"""Of our records in the undo log."""
ATTEMPTS = 2

RISKY = frozenset({
    "alarm", "boiler", "brake", "burner", "charger", "door", "elevator", "fire", "furnace", "gas",
    "gate", "heat", "heater", "heating", "interlock", "lift", "lock", "motion", "motor", "oven",
    "pump", "relay", "servo", "siren", "smoke", "stepper", "thermostat", "throttle", "valve",
    "watchdog", "winch",
})  # fmt: skip
"""Words in a service's name that call for a caution: it may move, heat, lock or warn."""
_WORD = re.compile(r"[a-z]+")


class _HookRecord(msgspec.Struct, frozen=True):
    hook: Hook
    before: ServiceState


@dataclass
class QuietReport:
    """How the services fared.

    Attributes:
        quieted: names of the hooks that did what they should.
        problems: one line each; any makes the run a degraded one.
        began, ended: moments on the monotonic clock around the first and last action.
    """

    quieted: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    began: float = 0.0
    ended: float = 0.0

    @property
    def seconds(self) -> float:
        """How long services were disturbed, once it is over."""
        return self.ended - self.began


def check(hooks: Sequence[Hook], never_pause: Sequence[str]) -> tuple[str, ...]:
    """Refuse hooks that must not be; return cautions about those that maybe should not.

    Raises:
        UsageError: never_pause names one, or a recipe or program does not exist.
        SecurityError: somebody else than root may decide what a hook does.
    """
    for hook in hooks:
        names = {name.removesuffix(".service") for name in (hook.name, hook.subject)} - {""}
        if names & {name.removesuffix(".service") for name in never_pause}:
            raise UsageError(
                f"hook {hook.name}: never_pause names it. What controls heat, motion, locks or "
                "alarms must not be paused by a copying tool",
                hint="remove the hook; ask the person who is responsible for that service",
            )
        check_programs(hook)
    return tuple(caution for hook in hooks for caution in cautions(hook))


def check_programs(hook: Hook) -> None:
    """Make sure that only root decides what a hook runs, before anything is run.

    Raises:
        UsageError: a program does not exist.
        SecurityError: somebody else than root may write to it.
    """
    for words in (hook.quiesce, hook.resume):
        if words:
            root_owned.check_command(words)


def cautions(hook: Hook) -> list[str]:
    """Return what a person should consider before this service is paused."""
    subject = " ".join([hook.name, hook.subject, *hook.quiesce, *hook.resume]).lower()
    words = set(_WORD.findall(subject))
    risky = sorted(RISKY & (words | {word.removesuffix("s") for word in words}))
    if not risky:
        return []
    text = (
        f"hook {hook.name}: its name speaks of {', '.join(risky)}. Make sure that nothing moves, "
        "heats, stays locked or goes unheard while it is paused, or list it under never_pause"
    )
    return [text]


@contextmanager
def quiet(
    hooks: Sequence[Hook],
    machine: HookRunner,
    clock: Clock,
    undo_log: UndoLog,
    *,
    check_hook: Callable[[Hook], None] = check_programs,
) -> Iterator[QuietReport]:
    """Keep services quiet for the length of the block, in order; resume them in reverse.

    A service that will not resume does not end the run: it is in the report, and stays in the
    log, so that `resume_left_over` tries again.

    Raises:
        PauseError: a required hook failed; those already quiet were resumed.
        SecurityError, UsageError: a hook must not be run; none was.
    """
    ways = [(hook, _way(HookSession(hook, machine, clock))) for hook in hooks]
    for hook in hooks:
        check_hook(hook)
    report = QuietReport(began=clock.monotonic())
    try:
        with ExitStack() as undo:
            undo.callback(_note_end, report, clock)
            for hook, way in ways:
                undo.enter_context(_quieted(_Service(hook, way, undo_log, report)))
            yield report
    except HoldstillError as error:
        for problem in report.problems:
            error.add_note(problem)  # what could not be resumed matters more than why we stopped
        raise


def _note_end(report: QuietReport, clock: Clock) -> None:
    report.ended = clock.monotonic()


class TimedControl:
    """Restarts the hook's timeout before each inspect, quiesce and resume."""

    def __init__(self, way: ServiceControl, shift: HookSession) -> None:
        self._way = way
        self._shift = shift

    def inspect(self) -> ServiceState:
        """Find out how the service is now."""
        self._shift.start()
        return self._way.inspect()

    def quiesce(self, before: ServiceState) -> None:
        """Make it quiet."""
        self._shift.start()
        self._way.quiesce(before)

    def resume(self, before: ServiceState) -> None:
        """Put it back as it was."""
        self._shift.start()
        self._way.resume(before)


def _way(shift: HookSession) -> TimedControl:
    return TimedControl(_untimed_way(shift), shift)


def _untimed_way(shift: HookSession) -> ServiceControl:
    match shift.hook.how:
        case HookHow.COMMAND:
            return CommandControl(shift)
        case HookHow.STOP:
            return StopUnitControl(shift)
        case HookHow.FREEZE:
            return FreezeUnitControl(shift)
        case HookHow.CONTAINER:
            return ContainerControl(shift)
        case HookHow.RECIPE:
            return database_hooks.recipe_for(shift)
        case _:
            assert_never(shift.hook.how)


@dataclass(frozen=True)
class _Service:
    hook: Hook
    way: TimedControl
    undo_log: UndoLog
    report: QuietReport

    def warn(self, deed: str, error: HoldstillError) -> None:
        self.report.problems.append(f"hook {self.hook.name}: {deed}: {error}")


@contextmanager
def _quieted(service: _Service) -> Iterator[None]:
    before = _look(service)
    if before is None:
        yield  # nothing was touched, so nothing is owed
        return
    facts = msgspec.json.encode(_HookRecord(service.hook, before))
    record = service.undo_log.record(KIND, facts)
    try:
        _quiesce(service, before)
        yield
    finally:
        _resume(service, before, record)


def _look(service: _Service) -> ServiceState | None:
    try:
        return service.way.inspect()
    except HoldstillError as error:
        _answer_failure(service, error)
        return None


def _quiesce(service: _Service, before: ServiceState) -> None:
    try:
        service.way.quiesce(before)
    except HoldstillError as error:
        _answer_failure(service, error)
    else:
        service.report.quieted.append(service.hook.name)


def _answer_failure(service: _Service, error: HoldstillError) -> None:
    if service.hook.required:
        raise PauseError(
            f"hook {service.hook.name} could not make its service quiet: {error}",
            hint=error.hint
            or "every service that was quiet runs again; `required: false` would go on without it",
        ) from error
    service.warn("could not make its service quiet, went on without", error)


def _resume(service: _Service, before: ServiceState, record: PendingUndo) -> None:
    for attempt in range(1, ATTEMPTS + 1):
        try:
            service.way.resume(before)
        except HoldstillError as error:
            service.warn(f"resume, attempt {attempt} of {ATTEMPTS}", error)
        except BaseException:
            # Terminated, or out of memory, in the middle of it: the service comes first.
            with suppress(HoldstillError):
                service.way.resume(before)
                service.undo_log.clear(record)
            raise
        else:
            service.undo_log.clear(record)
            return


def resume_left_over(undo_log: UndoLog, machine: HookRunner, clock: Clock) -> tuple[str, ...]:
    """Resume what an ended run left quiet; return the hooks' names, for the report.

    Raises:
        DegradedError: something does not resume; it is tried again the next time.
    """
    report = QuietReport()
    done: list[str] = []
    stuck: list[str] = []
    for record in undo_log.pending(KIND):
        facts = msgspec.json.decode(record.facts, type=_HookRecord)
        way = _way(HookSession(facts.hook, machine, clock))
        _resume(_Service(facts.hook, way, undo_log, report), facts.before, record)
        (stuck if record.path.exists() else done).append(facts.hook.name)
    if stuck:
        raise DegradedError(
            f"services still quiet: {', '.join(stuck)}\n" + "\n".join(report.problems),
            hint="start them by hand; `systemctl status` and the service's own log say more",
        )
    return tuple(done)
