"""Answers are as systemd 252 and Docker 28 give them, by their manual pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.board.service_control import HookSession
from holdstill.board.service_hooks import (
    CommandControl,
    ContainerControl,
    FreezeUnitControl,
    StopUnitControl,
)
from holdstill.errors import CommandError, PauseError
from holdstill.model.settings import Hook, HookHow
from support.services import FakeClock, FakeMachine, failing

if TYPE_CHECKING:
    from collections.abc import Mapping

UNIT = "tide-gauge.service"
SHOW = f"systemctl show --property=LoadState,ActiveState,FreezerState -- {UNIT}"
INSPECT = "docker container inspect --format '{{.State.Running}} {{.State.Paused}}' gauge"


def state(active: str, *, freezer: str = "running", load: str = "loaded") -> str:
    return f"LoadState={load}\nActiveState={active}\nFreezerState={freezer}\n"


def shift(how: HookHow, answers: Mapping[str, object], **more: str) -> HookSession:
    subject = "gauge" if how is HookHow.CONTAINER else UNIT
    hook = Hook(name="gauge", how=how, subject=subject, settings=more)
    return HookSession(hook, FakeMachine(answers), FakeClock())


def ran(one: HookSession) -> list[str]:
    assert isinstance(one.machine, FakeMachine)
    return one.machine.ran


class TestCommand:
    def test_its_two_commands_are_run(self) -> None:
        hook = Hook(name="g", how=HookHow.COMMAND, quiesce=("g", "hold"), resume=("g", "go"))
        machine = FakeMachine({"g hold": "", "g go": ""})
        way = CommandControl(HookSession(hook, machine, FakeClock()))

        way.quiesce(way.inspect())
        way.resume({})

        assert machine.ran == ["g hold", "g go"]

    def test_one_that_is_left_out_is_not_run(self) -> None:
        hook = Hook(name="g", how=HookHow.COMMAND, resume=("g", "go"))
        machine = FakeMachine({"g go": ""})
        way = CommandControl(HookSession(hook, machine, FakeClock()))

        way.quiesce({})
        way.resume({})

        assert machine.ran == ["g go"]


class TestStop:
    @pytest.mark.parametrize("active", ["active", "activating", "reloading"])
    def test_a_running_unit_is_stopped_and_started(self, active: str) -> None:
        one = shift(
            HookHow.STOP,
            {
                SHOW: state(active),
                f"systemctl stop -- {UNIT}": "",
                f"systemctl start -- {UNIT}": "",
            },
        )
        way = StopUnitControl(one)

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert ran(one)[1:] == [f"systemctl stop -- {UNIT}", f"systemctl start -- {UNIT}"]

    @pytest.mark.parametrize("active", ["inactive", "failed", "deactivating"])
    def test_a_unit_that_did_not_run_is_not_started(self, active: str) -> None:
        one = shift(HookHow.STOP, {SHOW: state(active)})
        way = StopUnitControl(one)

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert ran(one) == [SHOW]

    def test_an_unknown_unit_is_refused(self) -> None:
        one = shift(HookHow.STOP, {SHOW: state("inactive", load="not-found")})

        with pytest.raises(PauseError, match="not-found"):
            StopUnitControl(one).inspect()


class TestFreeze:
    def test_a_running_unit_is_frozen_and_thawed(self) -> None:
        one = shift(
            HookHow.FREEZE,
            {
                SHOW: state("active"),
                f"systemctl freeze -- {UNIT}": "",
                f"systemctl thaw -- {UNIT}": "",
            },
        )
        way = FreezeUnitControl(one)

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert ran(one)[1:] == [f"systemctl freeze -- {UNIT}", f"systemctl thaw -- {UNIT}"]

    @pytest.mark.parametrize(
        "answer", [state("active", freezer="frozen"), state("inactive"), state("failed")]
    )
    def test_somebody_elses_freeze_and_a_stopped_unit_are_left_alone(self, answer: str) -> None:
        one = shift(HookHow.FREEZE, {SHOW: answer})
        way = FreezeUnitControl(one)

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert ran(one) == [SHOW]


class TestContainer:
    def test_a_running_container_is_paused_and_unpaused(self) -> None:
        one = shift(
            HookHow.CONTAINER,
            {
                INSPECT: ["true false\n", "true true\n"],
                "docker pause gauge": "",
                "docker unpause gauge": "",
            },
        )
        way = ContainerControl(one)

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert ran(one) == [INSPECT, "docker pause gauge", INSPECT, "docker unpause gauge"]

    @pytest.mark.parametrize("answer", ["true true\n", "false false\n"])
    def test_one_that_is_paused_or_stopped_is_left_alone(self, answer: str) -> None:
        one = shift(HookHow.CONTAINER, {INSPECT: answer})
        way = ContainerControl(one)

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert ran(one) == [INSPECT]

    def test_a_pause_that_never_came_into_force_is_not_undone(self) -> None:
        one = shift(HookHow.CONTAINER, {INSPECT: "true false\n", "docker pause gauge": failing()})
        way = ContainerControl(one)
        before = way.inspect()
        with pytest.raises(CommandError):
            way.quiesce(before)

        way.resume(before)

        assert "docker unpause gauge" not in ran(one)

    def test_the_other_engine_is_tried(self) -> None:
        podman = INSPECT.replace("docker", "podman")
        one = shift(HookHow.CONTAINER, {INSPECT: failing(status=127), podman: "true false\n"})

        assert ContainerControl(one).inspect() == {"engine": "podman", "mine": "yes"}

    def test_a_named_engine_is_the_only_one(self) -> None:
        podman = INSPECT.replace("docker", "podman")
        one = shift(HookHow.CONTAINER, {podman: failing("no such container")}, engine="podman")

        with pytest.raises(CommandError, match="no such container"):
            ContainerControl(one).inspect()


def test_the_time_limit_spans_all_commands_of_a_deed() -> None:
    one = shift(HookHow.STOP, {SHOW: state("active")})
    one.start()
    StopUnitControl(one).inspect()
    one.clock.sleep(20.0)
    StopUnitControl(one).inspect()
    one.clock.sleep(60.0)
    StopUnitControl(one).inspect()
    assert one.is_over
    one.start()
    StopUnitControl(one).inspect()

    assert isinstance(one.machine, FakeMachine)
    assert one.machine.limits == [30.0, 10.0, 0.01, 30.0]
