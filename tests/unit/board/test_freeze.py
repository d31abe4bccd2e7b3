from __future__ import annotations

import errno
import fcntl
import gc
import os
import signal
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import freeze, freeze_state, guard_process
from holdstill.board.freeze_state import FreezeState, FrozenFileSystem
from holdstill.board.guard import Guard, HeldMount
from holdstill.board.guard_process import Protection
from holdstill.board.mounts import Mount, read_mounts
from holdstill.errors import DegradedError, PauseError
from holdstill.model.paths import BoardPath
from support import descriptors
from support.services import FakeClock, FakeKernel

if TYPE_CHECKING:
    from collections.abc import Iterator

BOOT, DATA, ROOT = 30, 31, 32
POINTS = {BOOT: b"/boot", DATA: b"/data", ROOT: b"/"}


def held(handle: int) -> HeldMount:
    point = BoardPath(POINTS[handle])
    device = (179, handle)
    return HeldMount(Mount(device, BoardPath(b"/"), point, "rw", "ext4", "/dev/x"), handle)


@contextmanager
def armed(kernel: FakeKernel, *handles: int) -> Iterator[Guard]:
    """Make a guard whose process is silent and alive."""
    orders, order = os.pipe()
    answer, said = os.pipe()
    mounts = tuple(held(handle) for handle in handles or (BOOT, DATA, ROOT))
    shared = freeze_state.in_memory(len(mounts))
    try:
        yield Guard(mounts, shared, FakeClock(), 5.0, order, answer, Protection(7), kernel)
    finally:
        for handle in (orders, order, answer, said):
            os.close(handle)


def orders_of(handle: int) -> list[bytes]:
    os.set_blocking(handle, False)
    said = os.read(handle, 4096)
    return [said[n : n + 1] for n in range(0, len(said), guard_process.ORDER.size)]


def test_everything_is_frozen_in_order_and_thawed_in_reverse() -> None:
    kernel = FakeKernel()

    with armed(kernel) as guard, freeze.frozen(guard) as window:
        inside = set(kernel.frozen)

    assert inside == {BOOT, DATA, ROOT}
    assert kernel.deeds == [
        ("sync", BOOT), ("sync", DATA), ("sync", ROOT),
        ("freeze", BOOT), ("freeze", DATA), ("freeze", ROOT),
        ("thaw", ROOT), ("thaw", DATA), ("thaw", BOOT),
    ]  # fmt: skip
    assert [m.handle for m in window.frozen] == [BOOT, DATA, ROOT]


def test_a_freeze_is_marked_before_it_is_tried() -> None:
    kernel, seen = FakeKernel(), []
    with armed(kernel) as guard:
        kernel.seen = lambda deed, mount: seen.append((deed, guard.marks[0]))

        with freeze.frozen(guard):
            pass

    assert ("freeze", FreezeState.TRYING) in seen
    assert guard.marks.possibly_frozen() == []


@pytest.mark.parametrize("number", [errno.EOPNOTSUPP, errno.ENOTTY])
def test_what_cannot_be_frozen_is_reported_and_the_others_are(number: int) -> None:
    kernel = FakeKernel(answers={("freeze", BOOT): number})

    with armed(kernel) as guard, freeze.frozen(guard) as window:
        inside = set(kernel.frozen)

    assert inside == {DATA, ROOT}
    assert [m.handle for m in window.unfreezable] == [BOOT]
    assert ("thaw", BOOT) not in kernel.deeds


@pytest.mark.parametrize(
    ("number", "hint"),
    [
        (errno.EBUSY, "another program has frozen it and must thaw it: find out which"),
        (errno.EPERM, "run as root"),
        (errno.EIO, "check the kernel's log"),
    ],
)
def test_any_other_failure_thaws_what_was_frozen(number: int, hint: str) -> None:
    kernel = FakeKernel(answers={("freeze", ROOT): number})

    with (
        armed(kernel) as guard,
        pytest.raises(PauseError, match="cannot freeze /") as caught,
        freeze.frozen(guard),
    ):
        pytest.fail("the window was opened")

    assert hint == caught.value.hint
    assert kernel.deeds[-2:] == [("thaw", DATA), ("thaw", BOOT)]
    assert kernel.frozen == set()


def test_somebody_elses_freeze_stays() -> None:
    kernel = FakeKernel(frozen={DATA})

    with armed(kernel) as guard, pytest.raises(PauseError), freeze.frozen(guard):
        pytest.fail("the window was opened")

    assert kernel.frozen == {DATA}


def test_an_exception_inside_thaws_and_passes() -> None:
    kernel = FakeKernel()

    with armed(kernel) as guard, pytest.raises(EOFError), freeze.frozen(guard):
        raise EOFError

    assert kernel.frozen == set()


def test_nothing_is_kept_when_the_guard_was_first() -> None:
    kernel = FakeKernel()

    with (
        armed(kernel) as guard,
        pytest.raises(PauseError, match="nothing was kept"),
        freeze.frozen(guard),
    ):
        guard.marks.expire()

    assert kernel.frozen == set()


def test_a_guard_that_fires_between_two_freezes_ends_it() -> None:
    kernel = FakeKernel()
    with armed(kernel) as guard:
        kernel.seen = lambda deed, mount: (
            guard.marks.expire() if (deed, mount) == ("freeze", DATA) else None
        )

        with pytest.raises(PauseError, match="let go"), freeze.frozen(guard):
            pytest.fail("the window was opened")

    assert ("freeze", ROOT) not in kernel.deeds
    assert kernel.frozen == set()


def test_a_freeze_that_waited_for_a_write_is_told_as_what_held_up_all_others() -> None:
    kernel = FakeKernel()
    with armed(kernel) as guard:

        def wait(deed: str, mount: int) -> None:
            if (deed, mount) == ("freeze", DATA):
                guard.clock.sleep(8)
                guard.marks.expire()

        kernel.seen = wait

        with pytest.raises(PauseError) as caught, freeze.frozen(guard):
            pytest.fail("the window was opened")

    assert f"freezing {held(DATA)} took 8.0 s" in str(caught.value)
    assert "whoever wrote to it waited" in str(caught.value)
    assert "kept running" not in str(caught.value)


def test_a_thaw_by_another_program_breaks_the_instant() -> None:
    kernel = FakeKernel()

    with (
        armed(kernel) as guard,
        pytest.raises(PauseError, match="another program thawed /data"),
        freeze.frozen(guard),
    ):
        kernel.frozen.discard(DATA)

    assert kernel.frozen == set()


def test_c6_thaw_fails_at_first_and_is_tried_again() -> None:
    kernel = FakeKernel(answers={("thaw", DATA): errno.EIO})
    with armed(kernel) as guard:
        attempts = []

        def mend(deed: str, mount: int) -> None:
            attempts.append((deed, mount))
            if attempts.count(("thaw", DATA)) == 3:
                kernel.answers.clear()

        kernel.seen = mend
        with freeze.frozen(guard):
            pass

    assert kernel.frozen == set()


def test_a_thaw_that_failed_and_took_effect_all_the_same_was_nobody_elses() -> None:
    kernel = FakeKernel(answers={("thaw", DATA): errno.EIO})

    def thawed_by_then(deed: str, mount: int) -> None:
        if (deed, mount) == ("thaw", DATA) and (deed, mount) in kernel.deeds:
            kernel.answers.clear()
            kernel.frozen.discard(DATA)  # EINVAL from now on

    with armed(kernel) as guard:
        kernel.seen = thawed_by_then
        with freeze.frozen(guard):
            pass

    assert kernel.deeds.count(("thaw", DATA)) == 2
    assert kernel.frozen == set()
    assert guard.marks.possibly_frozen() == []


def test_c8_thaw_fails_for_good_which_is_told_and_the_others_are_thawed() -> None:
    kernel = FakeKernel(answers={("thaw", DATA): errno.EIO})

    with (
        armed(kernel) as guard,
        pytest.raises(DegradedError, match="/data does not thaw"),
        freeze.frozen(guard),
    ):
        pass

    assert kernel.frozen == {DATA}
    assert guard.marks.possibly_frozen() == [1]  # the guard goes on


def test_c8_while_something_does_not_thaw_the_guard_is_not_stood_down() -> None:
    orders, order = os.pipe()
    answer, said = os.pipe()
    kernel = FakeKernel(answers={("thaw", ROOT): errno.EIO})
    guard = Guard(
        (held(ROOT),), freeze_state.in_memory(1), FakeClock(), 5.0, order, answer, Protection(7),
        kernel,
    )  # fmt: skip

    with pytest.raises(DegradedError), freeze.frozen(guard):
        pass

    assert orders_of(orders) == [guard_process.ARM]
    for handle in (orders, order, answer, said):
        os.close(handle)


def test_the_time_runs_from_before_the_first_freeze_to_after_the_last_thaw() -> None:
    kernel = FakeKernel()
    with armed(kernel, ROOT) as guard:
        kernel.seen = lambda deed, mount: guard.clock.sleep(0.1)

        with freeze.frozen(guard) as window:
            guard.clock.sleep(1.0)

    assert window.seconds == pytest.approx(1.2)
    assert window.deadline == pytest.approx(window.began + 5.0)


def test_the_guard_is_told_when_it_begins_and_ends() -> None:
    orders, order = os.pipe()
    answer, said = os.pipe()
    guard = Guard(
        (held(ROOT),), freeze_state.in_memory(1), FakeClock(), 5.0, order, answer, Protection(7),
        FakeKernel(),
    )  # fmt: skip

    with freeze.frozen(guard):
        begun = orders_of(orders)
    ended = orders_of(orders)

    assert (begun, ended) == ([guard_process.ARM], [guard_process.STAND_DOWN])
    for handle in (orders, order, answer, said):
        os.close(handle)


def test_nothing_is_frozen_when_the_guard_is_dead() -> None:
    kernel = FakeKernel()
    orders, order = os.pipe()
    answer, said = os.pipe()
    guard = Guard(
        (held(ROOT),),
        freeze_state.in_memory(1),
        FakeClock(),
        5.0,
        order,
        answer,
        Protection(7),
        kernel,
    )
    os.close(orders)
    os.close(said)

    with pytest.raises(PauseError, match="guard died"), freeze.frozen(guard):
        pytest.fail("the window was opened")

    assert ("freeze", ROOT) not in kernel.deeds
    os.close(order)
    os.close(answer)


def test_what_the_kernel_refused_the_guard_is_told() -> None:
    with armed(FakeKernel()) as guard:
        weak = Guard(
            guard.mounts, guard.marks, guard.clock, 5.0, guard.orders, guard.answer,
            Protection.REALTIME,
        )  # fmt: skip

    assert guard.shortcomings == ()
    assert len(weak.shortcomings) == 2
    assert "locked" in weak.shortcomings[0]


def test_a_failed_write_out_is_a_trouble_and_no_more() -> None:
    kernel = FakeKernel(answers={("sync", DATA): errno.EIO})

    with armed(kernel) as guard, freeze.frozen(guard) as window:
        inside = set(kernel.frozen)

    assert inside == {BOOT, DATA, ROOT}
    assert "/data" in window.troubles[0]


def test_no_garbage_is_collected_inside() -> None:
    with armed(FakeKernel()) as guard, freeze.frozen(guard):
        inside = gc.isenabled()
        set_aside = gc.get_freeze_count()

    assert not inside
    assert gc.isenabled()
    assert set_aside
    assert gc.get_freeze_count() == 0  # it may be collected again


def test_a_collector_that_was_off_stays_off() -> None:
    gc.disable()
    try:
        with armed(FakeKernel()) as guard, freeze.frozen(guard):
            pass

        assert not gc.isenabled()
    finally:
        gc.enable()


def test_a_signal_during_the_thaw_waits_until_all_is_thawed() -> None:
    def interrupt(number: int, frame: object) -> None:
        raise InterruptedError

    kernel = FakeKernel()
    kernel.seen = lambda deed, mount: (
        os.kill(os.getpid(), signal.SIGTERM) if (deed, mount) == ("thaw", ROOT) else None
    )
    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        with armed(kernel) as guard, pytest.raises(InterruptedError), freeze.frozen(guard):
            pass
    finally:
        signal.signal(signal.SIGTERM, before)

    assert kernel.frozen == set()


class TestLeftOver:
    """The last step of the ladder, with the directory's own descriptors."""

    @pytest.fixture
    def places(self, tmp_path: Path) -> list[Mount]:
        made = []
        for number, name in enumerate(("boot", "data")):
            (tmp_path / name).mkdir()
            point = BoardPath(os.fsencode(tmp_path / name))
            made.append(Mount((179, number), BoardPath(b"/"), point, "rw", "ext4", "/dev/x"))
        return made

    def leave(self, path: Path, places: list[Mount], *frozen: int) -> None:
        with freeze_state.on_tmpfs(
            path, [FrozenFileSystem(p.device, p.point.raw) for p in places]
        ) as left:
            for number in frozen:
                left[number] = FreezeState.OURS

    def test_nothing_left_is_nothing_to_do(self, tmp_path: Path) -> None:
        assert freeze.thaw_left_over(tmp_path / "frozen", [], kernel=FakeKernel()) == ()

    def test_what_was_frozen_is_thawed_once(self, tmp_path: Path, places: list[Mount]) -> None:
        self.leave(tmp_path / "frozen", places, 0, 1)
        kernel = AllFrozen()

        first = freeze.thaw_left_over(tmp_path / "frozen", places, kernel=kernel)
        again = freeze.thaw_left_over(tmp_path / "frozen", places, kernel=kernel)

        assert first == (str(places[1].point), str(places[0].point))
        assert again == ()

    def test_what_is_thawed_already_is_success(self, tmp_path: Path, places: list[Mount]) -> None:
        self.leave(tmp_path / "frozen", places, 0)

        assert freeze.thaw_left_over(tmp_path / "frozen", places, kernel=FakeKernel()) == ()
        assert not (tmp_path / "frozen").exists()

    def test_a_mount_that_moved_is_found_by_its_device(
        self, tmp_path: Path, places: list[Mount]
    ) -> None:
        self.leave(tmp_path / "frozen", places, 0)
        moved = Mount((179, 0), BoardPath(b"/"), places[1].point, "rw", "ext4", "/dev/x")

        thawed = freeze.thaw_left_over(tmp_path / "frozen", [moved], kernel=AllFrozen())

        assert thawed == (str(places[0].point),)

    def test_one_that_is_not_mounted_is_told_and_remembered(
        self, tmp_path: Path, places: list[Mount]
    ) -> None:
        self.leave(tmp_path / "frozen", places, 0, 1)

        with pytest.raises(DegradedError, match="not mounted any more"):
            freeze.thaw_left_over(tmp_path / "frozen", places[:1], kernel=AllFrozen())

        left, _ = freeze_state.left_over(tmp_path / "frozen")
        assert left.possibly_frozen() == [1]

    def test_a_thaw_that_fails_is_told_and_remembered(
        self, tmp_path: Path, places: list[Mount]
    ) -> None:
        self.leave(tmp_path / "frozen", places, 0)

        with pytest.raises(DegradedError, match="EIO"):
            freeze.thaw_left_over(tmp_path / "frozen", places, kernel=NeverThawing())

        assert (tmp_path / "frozen").exists()

    @pytest.mark.parametrize("last", [0, 1])
    def test_of_several_mounts_the_one_that_was_frozen_is_thawed_through(
        self, tmp_path: Path, places: list[Mount], last: int
    ) -> None:
        """Another one may be stacked on something that is frozen, too."""
        kernel = PathsThawed()
        both = [replace(place, device=(179, 0)) for place in places]
        self.leave(tmp_path / "frozen", [both[last]], 0)

        freeze.thaw_left_over(tmp_path / "frozen", both, kernel=kernel)

        assert kernel.paths == [Path(os.fsdecode(both[last].point.raw))]


class PathsThawed:
    def __init__(self) -> None:
        self.paths: list[Path] = []

    def thaw(self, mount: int) -> None:
        self.paths.append(Path(f"/proc/self/fd/{mount}").readlink())


class AllFrozen:
    def thaw(self, mount: int) -> None:
        return


class NeverThawing:
    def thaw(self, mount: int) -> None:
        raise OSError(errno.EIO, "EIO")


def test_a_guard_that_fires_after_our_last_thaw_spoils_nothing() -> None:
    kernel = FakeKernel()
    with armed(kernel) as guard:

        def fire_at_last(deed: str, mount: int) -> None:
            if (deed, mount) == ("thaw", BOOT):
                guard.marks.expire()

        kernel.seen = fire_at_last
        with freeze.frozen(guard) as window:
            pass

        assert guard.fired
    assert kernel.frozen == set()
    assert [m.handle for m in window.frozen] == [BOOT, DATA, ROOT]


def test_a_mount_point_that_is_gone_is_named(tmp_path: Path) -> None:
    gone = BoardPath(os.fsencode(tmp_path / "gone"))
    mount = Mount((179, 2), BoardPath(b"/"), gone, "rw", "ext4", "/dev/x")

    with (
        pytest.raises(PauseError, match=r"cannot open .*/gone: No such file"),
        freeze.hold_mounts([mount], all_mounts=[mount]),
    ):
        pytest.fail("it was opened")


def mount_at(path: Path, device: tuple[int, int]) -> Mount:
    point = BoardPath(os.fsencode(path))
    return Mount(device, BoardPath(b"/"), point, "rw", "ext4", "/dev/x")


def test_mounts_are_held_open_deepest_first_and_let_go(tmp_path: Path) -> None:
    """Major 0 is of file systems without a device of their own: it cannot be compared."""
    (tmp_path / "deep").mkdir()
    mounts = [mount_at(tmp_path, (0, 901)), mount_at(tmp_path / "deep", (0, 902))]
    before = descriptors.count()

    with freeze.hold_mounts([*mounts, mounts[0]], all_mounts=mounts) as held_mounts:
        assert [each.mount for each in held_mounts] == [mounts[1], mounts[0]]
        for each in held_mounts:
            assert os.fstat(each.handle).st_ino == Path(str(each.point)).stat().st_ino
            assert fcntl.fcntl(each.handle, fcntl.F_GETFD) & fcntl.FD_CLOEXEC
            assert fcntl.fcntl(each.handle, fcntl.F_GETFL) & os.O_DIRECTORY
        assert descriptors.count() == before + 2

    assert descriptors.count() == before


@pytest.mark.parametrize("device", [(179, 2), (1, 0)])
def test_a_mount_point_that_leads_elsewhere_is_refused_and_let_go(
    tmp_path: Path, device: tuple[int, int]
) -> None:
    (tmp_path / "file").touch()
    before = descriptors.count()

    for path, why in ((tmp_path, "leads to another file system than /dev/x"),
                      (tmp_path / "file", "cannot open .*/file: Not a directory")):  # fmt: skip
        mount = mount_at(path, device)
        with (
            pytest.raises(PauseError, match=why),
            freeze.hold_mounts([mount], all_mounts=[mount]),
        ):
            pytest.fail("it was held")

    assert descriptors.count() == before


def test_a_mount_point_that_leads_to_its_file_system_is_held() -> None:
    here = [
        mount
        for mount in read_mounts()
        if mount.device[0]
        and (path := Path(os.fsdecode(mount.point.raw))).is_dir()
        and os.access(path, os.R_OK)
        and path.stat().st_dev == os.makedev(*mount.device)
    ]
    if not here:
        pytest.skip("nothing that is mounted here has a device, or may be read")

    with freeze.hold_mounts(here[:1], all_mounts=here) as (only,):
        assert os.fstat(only.handle).st_dev == os.makedev(*here[0].device)


def test_what_ends_the_reading_is_told_when_everything_runs_again() -> None:
    kernel = FakeKernel()

    with (
        armed(kernel) as guard,
        pytest.raises(PauseError, match=r"^it grew$"),
        freeze.frozen(guard),
    ):
        raise PauseError("it grew")

    assert kernel.frozen == set()


def test_what_ended_the_reading_is_told_beside_why_it_did() -> None:
    def grow(guard: Guard) -> None:
        guard.marks.expire()
        raise PauseError("it grew")

    with (
        armed(FakeKernel()) as guard,
        pytest.raises(PauseError, match=r"nothing was kept \(it grew\)$") as caught,
        freeze.frozen(guard),
    ):
        grow(guard)

    assert str(caught.value.__cause__) == "it grew"
    assert "(at most 5 s)" in str(caught.value)
    assert "pause.ceiling" in caught.value.hint


def test_a_broken_instant_without_a_word_of_the_reader_is_told_as_it_is() -> None:
    with (
        armed(FakeKernel()) as guard,
        pytest.raises(PauseError, match=r"nothing was kept$"),
        freeze.frozen(guard),
    ):
        guard.marks.expire()


def test_all_that_others_thawed_is_named() -> None:
    kernel = FakeKernel()

    with (
        armed(kernel) as guard,
        pytest.raises(PauseError, match="thawed /data, /boot during the pause"),
        freeze.frozen(guard),
    ):
        kernel.frozen -= {DATA, BOOT}


def test_a_guard_that_let_go_first_is_why_something_was_thawed_already() -> None:
    """It fires between our look at it and our first thaw."""
    kernel = FakeKernel()
    with armed(kernel) as guard:

        def fire(deed: str, mount: int) -> None:
            if deed == "thaw" and not guard.marks.fired:
                guard.marks.expire()
                kernel.frozen.clear()

        kernel.seen = fire
        with pytest.raises(PauseError, match="the thaw guard let go"), freeze.frozen(guard):
            pass


def test_what_does_not_thaw_is_tried_for_a_fifth_of_a_second() -> None:
    kernel = FakeKernel(answers={("thaw", DATA): errno.EIO})

    with armed(kernel) as guard:
        began = guard.clock.monotonic()
        with pytest.raises(DegradedError) as caught, freeze.frozen(guard):
            pass
        waited = guard.clock.monotonic() - began

    assert kernel.deeds.count(("thaw", DATA)) == 20
    assert kernel.deeds.count(("thaw", ROOT)) == 1
    assert waited == pytest.approx(0.2)
    assert caught.value.hint == (
        "if writing to it hangs: echo j > /proc/sysrq-trigger, else reboot"
    )


def test_marks_that_somebody_removed_meanwhile_are_gone_as_they_should(tmp_path: Path) -> None:
    marks, place = tmp_path / "frozen", mount_at(tmp_path, (179, 0))
    with freeze_state.on_tmpfs(marks, [FrozenFileSystem(place.device, place.point.raw)]) as left:
        left[0] = FreezeState.OURS
    kernel = FakeKernel(seen=lambda deed, mount: marks.unlink())

    assert freeze.thaw_left_over(marks, [place], kernel=kernel) == ()


def test_all_that_stays_frozen_of_an_ended_run_is_named(tmp_path: Path) -> None:
    places = [mount_at(tmp_path / name, (179, n)) for n, name in enumerate(("boot", "data"))]
    for place in places:
        Path(str(place.point)).mkdir()
    with freeze_state.on_tmpfs(
        tmp_path / "frozen", [FrozenFileSystem(p.device, p.point.raw) for p in places]
    ) as left:
        left[0] = left[1] = FreezeState.OURS

    with pytest.raises(DegradedError) as caught:
        freeze.thaw_left_over(tmp_path / "frozen", places, kernel=NeverThawing())

    data, boot = (str(place.point) for place in reversed(places))
    assert str(caught.value) == f"cannot thaw {data}: EIO; {boot}: EIO"
    assert "sysrq-trigger" in caught.value.hint
