from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.board import hooks, undo_log
from holdstill.errors import DegradedError, PauseError, SecurityError, UsageError
from holdstill.model.settings import Hook, HookHow
from support.services import FakeClock, FakeMachine, failing

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.board.hooks import QuietReport
    from holdstill.board.undo_log import UndoLog
    from holdstill.system.process import Command


def hook(name: str, *, required: bool = True) -> Hook:
    return Hook(
        name=name, how=HookHow.COMMAND, quiesce=(name, "hold"), resume=(name, "go"),
        required=required,
    )  # fmt: skip


THREE = [hook("a"), hook("b"), hook("c")]
CALM: dict[str, object] = {f"{name} {word}": "" for name in "abc" for word in ("hold", "go")}


@pytest.fixture
def undos(tmp_path: Path) -> Iterator[UndoLog]:
    with undo_log.opened(tmp_path) as mine:
        yield mine


def trust(hook: Hook) -> None:
    """Let every program pass."""


def quiet(
    machine: FakeMachine, undos: UndoLog, some: list[Hook] | None = None
) -> AbstractContextManager[QuietReport]:
    return hooks.quiet(some or THREE, machine, FakeClock(), undos, check_hook=trust)


def test_services_are_quieted_in_order_and_resumed_in_reverse(undos: UndoLog) -> None:
    machine = FakeMachine(CALM)

    with quiet(machine, undos) as report:
        inside = list(machine.ran)

    assert inside == ["a hold", "b hold", "c hold"]
    assert machine.ran[3:] == ["c go", "b go", "a go"]
    assert report.quieted == ["a", "b", "c"]
    assert report.problems == []


def test_without_hooks_nothing_happens(undos: UndoLog) -> None:
    with hooks.quiet([], FakeMachine({}), FakeClock(), undos) as report:
        pass

    assert report.quieted == []


def test_the_undo_is_written_down_before_the_deed(undos: UndoLog) -> None:
    owed = []

    def count(stdin: bytes) -> str:
        owed.append(len(undos.pending(hooks.KIND)))
        return ""

    with quiet(FakeMachine(dict.fromkeys(CALM, count)), undos):
        pass

    assert owed == [1, 2, 3, 3, 2, 1]
    assert undos.pending(hooks.KIND) == ()


def test_a_failure_resumes_those_that_were_started_and_never_calls_the_rest(
    undos: UndoLog,
) -> None:
    machine = FakeMachine(CALM | {"b hold": failing("the sensor is wet")})

    with pytest.raises(PauseError, match=r"hook b .*the sensor is wet"), quiet(machine, undos):
        pytest.fail("the pause went on")

    assert machine.ran == ["a hold", "b hold", "b go", "a go"]
    assert undos.pending(hooks.KIND) == ()


def test_an_optional_hook_may_fail(undos: UndoLog) -> None:
    machine = FakeMachine(CALM | {"b hold": failing("the sensor is wet")})
    some = [hook("a"), hook("b", required=False), hook("c")]

    with quiet(machine, undos, some) as report:
        pass

    assert machine.ran == ["a hold", "b hold", "c hold", "c go", "b go", "a go"]
    assert report.quieted == ["a", "c"]
    (problem,) = report.problems
    assert problem.startswith("hook b: could not make its service quiet, went on without: ")
    assert "the sensor is wet" in problem


def test_a_resume_that_fails_is_tried_again(undos: UndoLog) -> None:
    machine = FakeMachine(CALM | {"b go": [failing("not yet"), ""]})

    with quiet(machine, undos) as report:
        pass

    assert machine.ran[3:] == ["c go", "b go", "b go", "a go"]
    assert "not yet" in report.problems[0]
    assert undos.pending(hooks.KIND) == ()


def test_c8_hook_fails_to_resume_and_keeps_no_other_back(undos: UndoLog) -> None:
    machine = FakeMachine(CALM | {"b go": failing("gone")})

    with quiet(machine, undos) as report:
        pass

    assert machine.ran[-1] == "a go"
    assert len(report.problems) == 2
    assert len(undos.pending(hooks.KIND)) == 1


def test_what_was_not_resumed_is_resumed_by_the_next_run(undos: UndoLog) -> None:
    with quiet(FakeMachine(CALM | {"b go": failing(), "c go": failing()}), undos):
        pass
    machine = FakeMachine(CALM)

    done = hooks.resume_left_over(undos, machine, FakeClock())
    again = hooks.resume_left_over(undos, machine, FakeClock())

    assert (done, again) == (("c", "b"), ())
    assert machine.ran == ["c go", "b go"]


def test_what_still_does_not_resume_is_told_and_remembered(undos: UndoLog) -> None:
    broken = CALM | {"b go": failing("gone")}
    with quiet(FakeMachine(broken), undos):
        pass

    with pytest.raises(DegradedError, match=r"(?s)still quiet: b.*gone"):
        hooks.resume_left_over(undos, FakeMachine(broken), FakeClock())

    assert len(undos.pending(hooks.KIND)) == 1


def test_the_next_run_knows_what_the_dead_one_knew_of_the_service(undos: UndoLog) -> None:
    unit = Hook(name="u", how=HookHow.STOP, subject="u.service")
    show = "systemctl show --property=LoadState,ActiveState,FreezerState -- u.service"
    answers = {
        show: "LoadState=loaded\nActiveState=active\n",
        "systemctl stop -- u.service": "",
        "systemctl start -- u.service": failing(),
    }
    with quiet(FakeMachine(answers), undos, [unit]):
        pass
    machine = FakeMachine({"systemctl start -- u.service": ""})

    hooks.resume_left_over(undos, machine, FakeClock())

    assert machine.ran == ["systemctl start -- u.service"]


def test_problems_of_resuming_go_with_the_error_that_ended_the_run(undos: UndoLog) -> None:
    machine = FakeMachine(CALM | {"b hold": failing(), "a go": failing("a is gone")})

    with pytest.raises(PauseError) as caught, quiet(machine, undos):
        pytest.fail("the pause went on")

    assert any("a is gone" in note for note in caught.value.__notes__)


def test_an_exception_inside_resumes_and_passes(undos: UndoLog) -> None:
    machine = FakeMachine(CALM)

    with pytest.raises(EOFError), quiet(machine, undos):
        raise EOFError

    assert machine.ran[3:] == ["c go", "b go", "a go"]


def test_an_interrupted_resume_keeps_no_other_back_and_is_remembered(undos: UndoLog) -> None:
    machine = FakeMachine(CALM | {"b go": KeyboardInterrupt()})

    with pytest.raises(KeyboardInterrupt), quiet(machine, undos):
        pass

    assert machine.ran[3:] == ["c go", "b go", "b go", "a go"]
    assert len(undos.pending(hooks.KIND)) == 1


@pytest.mark.parametrize("interruption", [KeyboardInterrupt(), MemoryError()])
def test_c8_signal_and_out_of_memory_in_a_resume_end_the_run_after_it_and_not_before(
    undos: UndoLog, interruption: BaseException
) -> None:
    class Once(FakeMachine):
        def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
            answer = super().run(command, stdin=stdin)
            if str(command) == "b go" and self.ran.count("b go") == 1:
                raise interruption
            return answer

    machine = Once(CALM)

    with pytest.raises(type(interruption)), quiet(machine, undos):
        pass

    assert machine.ran[3:] == ["c go", "b go", "b go", "a go"]
    assert undos.pending(hooks.KIND) == ()


def test_no_hook_runs_when_one_is_refused(undos: UndoLog) -> None:
    def refuse(one: Hook) -> None:
        if one.name == "c":
            raise SecurityError("anybody may write to c")

    machine = FakeMachine(CALM)

    with (
        pytest.raises(SecurityError),
        hooks.quiet(THREE, machine, FakeClock(), undos, check_hook=refuse),
    ):
        pytest.fail("the pause went on")

    assert machine.ran == []


def test_no_hook_runs_when_a_recipe_is_unknown(undos: UndoLog) -> None:
    machine = FakeMachine(CALM)
    some = [hook("a"), Hook(name="r", how=HookHow.RECIPE, subject="oracle")]

    with pytest.raises(UsageError, match="oracle"), quiet(machine, undos, some):
        pytest.fail("the pause went on")

    assert machine.ran == []


def test_the_report_spans_the_first_and_the_last_action(undos: UndoLog) -> None:
    clock = FakeClock()

    def slow(stdin: bytes) -> str:
        clock.sleep(0.25)
        return ""

    with hooks.quiet(
        THREE, FakeMachine(dict.fromkeys(CALM, slow)), clock, undos, check_hook=trust
    ) as report:
        clock.sleep(1.0)

    assert report.seconds == pytest.approx(2.5)


class TestCheck:
    @pytest.mark.parametrize("never", ["boiler", "boiler.service"])
    @pytest.mark.parametrize("subject", ["boiler", "boiler.service"])
    def test_never_pause_is_obeyed(self, never: str, subject: str) -> None:
        some = [Hook(name="warmth", how=HookHow.STOP, subject=subject)]

        with pytest.raises(UsageError, match="heat, motion, locks or alarms"):
            hooks.check(some, [never])

    def test_it_knows_the_hook_by_its_name_too(self) -> None:
        with pytest.raises(UsageError, match="never_pause"):
            hooks.check([Hook(name="warmth", how=HookHow.STOP, subject="x.service")], ["warmth"])

    def test_a_program_that_is_not_there_is_told_before_anything_is_paused(self) -> None:
        nowhere = Hook(name="x", how=HookHow.COMMAND, quiesce=("/nowhere/hold",))

        with pytest.raises(UsageError, match="/nowhere/hold"):
            hooks.check([nowhere], [])

    @pytest.mark.parametrize(
        "subject",
        [
            "boiler",
            "garage-door.service",
            "motor_control",
            "Smoke-Alarm",
            "door.locks",
            "watchdog",
        ],
    )
    def test_a_risky_name_is_a_caution(self, subject: str) -> None:
        (caution,) = hooks.check([Hook(name="x", how=HookHow.STOP, subject=subject)], [])

        assert "never_pause" in caution

    @pytest.mark.parametrize(
        "subject", ["clock", "blocklist", "gateway", "tide-gauge.service", "postgresql", "theater"]
    )
    def test_a_harmless_name_is_none(self, subject: str) -> None:
        assert hooks.check([Hook(name="x", how=HookHow.STOP, subject=subject)], []) == ()

    def test_the_words_of_a_command_count(self) -> None:
        one = Hook(name="x", how=HookHow.COMMAND, quiesce=("/usr/bin/true", "--stop=motor1"))

        assert hooks.cautions(one) != []


# Our own choice of words, written down a second time: none may get lost.
@pytest.mark.parametrize(
    "word",
    [
        "alarm", "boiler", "brake", "burner", "charger", "door", "elevator", "fire", "furnace",
        "gate", "heat", "heater", "heating", "interlock", "lift", "lock", "motion", "motor",
        "oven", "pump", "relay", "servo", "siren", "smoke", "stepper", "thermostat", "throttle",
        "valve", "watchdog", "winch", "gas",
    ],
)  # fmt: skip
def test_s11_what_moves_heats_locks_or_warns_gets_a_caution(word: str) -> None:
    for name in (word, f"{word}-control", f"jetty_{word}s.service"):
        (caution,) = hooks.cautions(Hook(name=name, how=HookHow.STOP))
        assert f"speaks of {word}." in caution

    assert hooks.cautions(Hook(name=f"x{word}", how=HookHow.STOP)) == []
