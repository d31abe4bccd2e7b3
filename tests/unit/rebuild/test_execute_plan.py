from __future__ import annotations

import pytest

from holdstill.errors import TargetFailedError, VerificationError
from holdstill.model.layout import Disk, Ext4, Fat, Other, Raw, Swap, TableLabel
from holdstill.model.manifest import Attachment
from holdstill.rebuild import execute_plan
from holdstill.rebuild.planner import Plan
from holdstill.rebuild.steps import (
    AnyStep,
    ClearTables,
    Flush,
    MakeExt4,
    MakeFat,
    MakeOther,
    MakeSwap,
    PutGap,
    PutRaw,
    ReadBack,
    WriteTable,
)

DISK = Disk(size=1 << 30, label=TableLabel.DOS, id="0x9a3c5d2e")
FAT = Fat(
    bits=32, volume_id=1, sectors_per_cluster=1, reserved_sectors=32, sectors=1, clusters=1
)  # fmt: skip
EXT4 = Ext4(uuid="", block_size=4096, blocks=1, inode_size=256, inodes=1, features=())
STEPS: tuple[AnyStep, ...] = (
    ClearTables(),
    PutGap(attachment=Attachment(name="gap.bin", sha256="", size=0), disk=DISK),
    MakeFat(number=1, offset=0, size=1, parameters=FAT),
    MakeExt4(number=2, offset=1, size=1, parameters=EXT4),
    MakeOther(number=3, offset=2, size=1, parameters=Other(type="xfs")),
    MakeSwap(number=4, offset=3, size=1, parameters=Swap(uuid="")),
    PutRaw(number=5, offset=4, size=1, parameters=Raw()),
    Flush(),
    ReadBack(disk=DISK),
    WriteTable(disk=DISK),
)
PLAN = Plan(disk=DISK, steps=STEPS)
NAMES = [
    "clear", "gap", "fat", "ext4", "other", "swap", "raw", "flush", "read back", "table",
]  # fmt: skip


KINDS = [type(step) for step in STEPS]


class Recorder:
    """Notes what is done; fails at one deed if told so."""

    def __init__(self, *, fails_at: str = "", error: BaseException | None = None) -> None:
        self.done: list[str] = []
        self.steps: list[AnyStep] = []
        self._fails_at, self._error = fails_at, error

    def __call__(self, step: AnyStep) -> None:
        name = NAMES[KINDS.index(type(step))]
        self.done.append(name)
        self.steps.append(step)
        if name == self._fails_at and self._error is not None:
            raise self._error


def test_every_step_is_done_once_in_the_plans_order() -> None:
    writers = Recorder()

    execute_plan.carry_out(PLAN, writers)

    assert writers.done == NAMES


def test_each_step_is_told_before_it_is_done() -> None:
    writers, told = Recorder(), []

    def begin(step: AnyStep) -> None:
        told.append((step, len(writers.done)))

    execute_plan.carry_out(PLAN, writers, begin=begin)

    assert told == [(step, number) for number, step in enumerate(STEPS)]
    assert writers.steps == list(STEPS)


@pytest.mark.parametrize("name", NAMES)
def test_whatever_fails_no_table_stays_and_the_error_says_so(name: str) -> None:
    failure = VerificationError("the content of 'ledger' is not the captured one", hint="verify")
    writers = Recorder(fails_at=name, error=failure)

    with pytest.raises(VerificationError) as caught:
        execute_plan.carry_out(PLAN, writers)

    assert caught.value is failure
    assert caught.value.hint == f"verify; {execute_plan.UNFINISHED}"
    assert writers.done == [*NAMES[: NAMES.index(name) + 1], "clear"]


def test_an_error_of_the_system_becomes_one_of_ours() -> None:
    writers = Recorder(fails_at="ext4", error=OSError(5, "Input/output error"))

    with pytest.raises(TargetFailedError, match="Input/output error") as caught:
        execute_plan.carry_out(PLAN, writers)

    assert caught.value.hint == execute_plan.UNFINISHED


def test_an_interrupted_run_leaves_no_table_either() -> None:
    writers = Recorder(fails_at="table", error=KeyboardInterrupt())

    with pytest.raises(KeyboardInterrupt) as caught:
        execute_plan.carry_out(PLAN, writers)

    assert writers.done[-1] == "clear"
    assert caught.value.__notes__ == [execute_plan.UNFINISHED]


def test_an_interruption_says_so_when_a_table_may_be_left() -> None:
    class Unplugged(Recorder):
        def __call__(self, step: AnyStep) -> None:
            if self.done and isinstance(step, ClearTables):
                raise OSError(19, "No such device")
            super().__call__(step)

    with pytest.raises(KeyboardInterrupt) as caught:
        execute_plan.carry_out(PLAN, Unplugged(fails_at="table", error=KeyboardInterrupt()))

    assert caught.value.__notes__ == [execute_plan.UNKNOWN]


def test_nothing_is_touched_when_the_run_ends_before_its_first_step() -> None:
    writers = Recorder()

    def begin(step: AnyStep) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt) as caught:
        execute_plan.carry_out(PLAN, writers, begin=begin)

    assert not hasattr(caught.value, "__notes__")

    assert writers.done == []


def test_what_went_wrong_first_is_what_is_told() -> None:
    class Broken(Recorder):
        def __call__(self, step: AnyStep) -> None:
            super().__call__(step)
            if len(self.done) > 1 and isinstance(step, ClearTables):
                raise TargetFailedError("the card is gone")

    with pytest.raises(VerificationError, match="first"):
        execute_plan.carry_out(PLAN, Broken(fails_at="fat", error=VerificationError("first")))
