"""The pages of images and rehearsals: jobs as they lie on the disk, hostile words, old ones."""

from __future__ import annotations

import re
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.errors import BusyError, PreflightError
from holdstill.page import images as image_pages
from holdstill.page import job_queue
from holdstill.page.image_offer import ImageOffer
from holdstill.page.images import ImagePages
from holdstill.page.job_folder import JobFolder
from holdstill.page.job_queue import WAITING_MOST, JobQueue, QueueLimits
from holdstill.page.job_records import (
    JobKind,
    JobProgress,
    JobState,
    JobStatus,
    Order,
    Outcome,
    Packing,
)
from holdstill.page.roles import Role
from holdstill.rehearse import console_markers
from holdstill.system.clocks import SystemClock
from support import page

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.page.job_queue import RunningJob
    from support.keeping import FakeClock
    from support.page import Visited

NAME = "000042-20261125T021503Z"
CAPTURE = f"/boards/pier-3/{NAME}"
ORDER = Order(kind=JobKind.IMAGE, board="pier-3", capture=NAME, size=4 << 30)
HOSTILE = "<script>alert(1)</script>\x1b]0;title\x07\u202egnp.exe \"'>&"
WHEN = "2026-11-25T02:15:03Z"
REAL = SystemClock()


@dataclass
class Offers:
    """What is offered of every capture."""

    found: ImageOffer | None = field(
        default_factory=lambda: ImageOffer(captured=4 << 30, smallest=1 << 30)
    )
    missing: tuple[str, ...] = ()

    def offer(self, board: str, capture: str, disk: str) -> ImageOffer | None:
        return self.found

    def emulators(self) -> tuple[str, ...]:
        return self.missing

    def packings(self) -> tuple[Packing, ...]:
        return (Packing.NONE, Packing.ZIP)

    def console(self, printed: bytes) -> str:
        return console_markers.plain(printed)


def never(folder: Path) -> AbstractContextManager[RunningJob]:
    raise AssertionError(f"nothing is started here: {folder}")


@pytest.fixture
def work(tmp_path: Path) -> Path:
    (tmp_path / "work").mkdir(mode=0o700)
    return tmp_path / "work"


@pytest.fixture
def queue(work: Path, clock: FakeClock) -> JobQueue:
    """Return a queue that nobody works at."""
    return JobQueue(work, never, clock, QueueLimits(days=7))


@pytest.fixture
def offers() -> Offers:
    return Offers()


@pytest.fixture
def visit(
    store: Store, tmp_path: Path, clock: FakeClock, queue: JobQueue, offers: Offers
) -> Iterator[Visited]:
    pages = ImagePages(offers, queue)
    with page.opened(store, tmp_path, clock=clock, images=pages) as found:
        found.enter(Role.IMAGES)
        yield found


def put(
    work: Path,
    state: JobState,
    *,
    outcome: Outcome | None = None,
    order: Order = ORDER,
    name: str = "0123456789abcdef",
) -> JobFolder:
    """Put a job into the folder."""
    folder = JobFolder(work / name)
    folder.begin(order, JobStatus(state=state, ordered_at=WHEN, ended_at=WHEN))
    if outcome is not None:
        folder.set_outcome(outcome)
    return folder


# What is shown --------------------------------------------------------------------------------


def test_nothing_hostile_gets_into_a_page_of_a_job(visit: Visited, work: Path) -> None:
    told = Outcome(problem=HOSTILE, hint=HOSTILE, headline=HOSTILE, remarks=(HOSTILE,))
    order = structs.replace(ORDER, kind=JobKind.REHEARSAL, sibling=HOSTILE)
    folder = put(work, JobState.FAILED, outcome=told, order=order)
    folder.set_progress(JobProgress(step=HOSTILE, number=1, steps=2, notes=(HOSTILE,)))
    printed = (
        b"[ 0.1] \x1b[31mred\x1b[0m <img src=x onerror=alert(1)>\r\n\x00\xff \xe2\x80\xae end\n"
    )
    (folder.path / "console").write_bytes(printed)

    for path in ("/images", f"/images/{folder.path.name}"):
        text = visit.client.get(path).text
        assert "<script" not in text
        assert "<img src=x" not in text
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202e]", text)
    assert "[ 0.1] red &lt;img" in visit.client.get(f"/images/{folder.path.name}").text


def test_a_console_that_never_ends_is_shown_from_its_end(visit: Visited, work: Path) -> None:
    folder = put(work, JobState.RUNNING, order=structs.replace(ORDER, kind=JobKind.REHEARSAL))
    (folder.path / "console").write_bytes(b"first line\n" + b"x" * 9_000_000 + b"\nlast line\n")

    text = visit.client.get(f"/images/{folder.path.name}").text

    assert "last line" in text
    assert "first line" not in text
    assert len(text) < 2 * image_pages.CONSOLE_SHOWN


def test_what_is_followed_is_asked_for_again_until_it_has_ended(
    visit: Visited, work: Path
) -> None:
    put(work, JobState.WAITING)
    put(work, JobState.DONE, name="f" * 16)

    asked = {
        path: visit.client.get(path).headers.get("refresh")
        for path in ("/images", "/images?follow=1", "/images/0123456789abcdef?follow=1",
                     "/images/ffffffffffffffff?follow=1")
    }  # fmt: skip

    assert list(asked.values()) == [None, "5", "5", None]


def test_the_form_waits_until_the_capture_was_measured(visit: Visited, offers: Offers) -> None:
    offers.found = None

    answer = visit.client.get(f"{CAPTURE}/image")

    assert answer.headers["refresh"] == "3"
    assert "Make the image" not in answer.text


@pytest.mark.parametrize("form", ["image", "rehearsal"])
def test_the_way_back_from_a_form_has_slashes_as_everywhere(visit: Visited, form: str) -> None:
    trail = visit.client.get(f"{CAPTURE}/{form}").text.partition('class="trail"')[2]

    assert trail.partition("</nav>")[0].count("</a> / <a ") == 2


def test_what_is_wrong_with_a_capture_is_said_before(visit: Visited, offers: Offers) -> None:
    offers.found = ImageOffer(captured=4, smallest=3, cautions=(HOSTILE, "no kernel"))

    text = visit.client.get(f"{CAPTURE}/image").text

    assert text.index("no kernel") < text.index("Make the image")
    assert "<script" not in text


def test_each_of_several_disks_is_offered_and_the_chosen_one_is_ordered(
    visit: Visited, offers: Offers, queue: JobQueue
) -> None:
    offers.found = ImageOffer(disks=("disk 1 (card)", "disk 2 (stick)"), captured=4 << 30)

    text = visit.client.get(f"{CAPTURE}/image?disk=2").text
    visit.post(f"{CAPTURE}/image", size="4294967296", format=".img", identity="replacement",
               disk="2")  # fmt: skip

    assert 'value="2" selected' in text
    assert [job.order.disk for job in queue.jobs()] == ["2"]


def test_what_is_known_of_a_capture_is_said_before_it_is_rehearsed(
    visit: Visited, offers: Offers
) -> None:
    texts = []
    for offers.found in (
        ImageOffer(cautions=(HOSTILE, "no kernel")),
        ImageOffer(refusal=f"it is gone {HOSTILE}", hint="take another"),
    ):
        texts.append(visit.client.get(f"{CAPTURE}/rehearsal").text)
    offers.found = None
    waiting = visit.client.get(f"{CAPTURE}/rehearsal")

    assert texts[0].index("no kernel") < texts[0].index("Rehearse it")
    assert texts[1].index("it is gone") < texts[1].index("Rehearse it")
    assert "<script" not in "".join(texts)
    assert waiting.headers["refresh"] == "3"
    assert "Rehearse it" in waiting.text  # it need not be waited for


def test_an_emulator_that_is_missing_is_named_with_its_package(
    visit: Visited, offers: Offers
) -> None:
    offers.missing = ("qemu-system-x86_64 (Debian: qemu-system-x86)", "another (Debian: other)")

    text = visit.client.get(f"{CAPTURE}/rehearsal").text

    assert "Debian: qemu-system-x86" in text
    assert "Rehearse it" not in text


@pytest.mark.parametrize(
    "name", ["order.json", "status.json", "log", "..", "../..", ".img", "%2e%2e", "console"]
)
def test_nothing_but_the_image_its_checksum_and_the_screen_is_sent(
    visit: Visited, work: Path, name: str
) -> None:
    put(work, JobState.DONE, outcome=Outcome(file="card.img", sha256="0" * 64))

    assert visit.client.get(f"/images/0123456789abcdef/{name}").status == 404


@pytest.mark.parametrize("job", ["0" * 16, "..", "0123456789ABCDEF", "a" * 4000, "%00"])
def test_a_job_that_is_not_there_is_told(visit: Visited, job: str) -> None:
    assert visit.client.get(f"/images/{job}").status == 404
    assert visit.post(f"/images/{job}/cancel").status == 404


def test_a_job_whose_end_could_not_be_noted_has_a_page(visit: Visited, work: Path) -> None:
    folder = JobFolder(work / "0123456789abcdef")
    folder.begin(ORDER, JobStatus(state=JobState.RUNNING, ordered_at=WHEN))

    text = visit.client.get("/images/0123456789abcdef").text

    assert "interrupted: the page ended while it ran" in text
    assert "Kept until its room is needed" in text


def test_a_screen_that_was_not_photographed_is_not_there(visit: Visited, work: Path) -> None:
    put(work, JobState.DONE)

    assert visit.client.get("/images/0123456789abcdef/screen.png").status == 404


def test_a_picture_that_is_none_is_not_sent(visit: Visited, work: Path) -> None:
    folder = put(work, JobState.DONE)
    (folder.path / "screen.png").write_bytes(b"<svg onload=alert(1)>")

    assert visit.client.get("/images/0123456789abcdef/screen.png").status == 404


@pytest.mark.parametrize(
    ("board", "capture"), [("PIER", NAME), ("pier-3", "newest"), ("x" * 99, NAME)]
)
def test_a_rehearsal_of_what_is_no_name_is_refused(
    visit: Visited, queue: JobQueue, board: str, capture: str
) -> None:
    assert visit.post(f"/boards/{board}/{capture}/rehearsal").status == 404
    assert queue.jobs() == ()


def test_a_form_from_elsewhere_orders_nothing(visit: Visited, queue: JobQueue) -> None:
    fields = {"size": "4G", "format": ".img", "identity": "replacement"}

    answer = visit.post(f"{CAPTURE}/image", "http://elsewhere.example", **fields)

    assert answer.status == 403
    assert queue.jobs() == ()


def test_a_page_without_a_folder_says_what_to_do(
    store: Store, tmp_path: Path, clock: FakeClock, offers: Offers
) -> None:
    with page.opened(store, tmp_path, clock=clock, images=ImagePages(offers, None)) as visit:
        visit.enter(Role.IMAGES)
        answer = visit.client.get(f"{CAPTURE}/image")

    assert answer.status == 503
    assert "--work" in answer.text


# The queue ------------------------------------------------------------------------------------


def sized(gib: int, *, room: int = 0) -> Order:
    return structs.replace(ORDER, size=gib << 30, room=room)


def test_the_same_is_not_made_twice_and_few_may_wait(queue: JobQueue) -> None:
    for number in range(WAITING_MOST):
        queue.add(sized(number + 1))

    with pytest.raises(BusyError, match="the same"):
        queue.add(sized(1))
    with pytest.raises(BusyError, match="wait already"):
        queue.add(sized(99))


def test_an_order_without_room_is_refused_and_leaves_nothing(queue: JobQueue, work: Path) -> None:
    with pytest.raises(PreflightError, match="has room for"):
        queue.add(sized(1, room=1 << 60))

    assert list(work.iterdir()) == []


def test_what_is_older_than_its_days_is_removed_and_what_waits_is_not(
    queue: JobQueue, work: Path, clock: FakeClock
) -> None:
    put(work, JobState.DONE)
    put(work, JobState.WAITING, name="1" * 16)
    clock.advance(7 * 86_400 - 1)
    queue._remove_old()
    assert len(queue.jobs()) == 2

    clock.advance(2)
    queue._remove_old()

    assert [job.id for job in queue.jobs()] == ["1" * 16]


def test_the_oldest_image_gives_way_to_a_new_one_that_needs_its_room(
    work: Path, clock: FakeClock
) -> None:
    for name, day in (("a" * 16, "25"), ("b" * 16, "26")):
        folder = put(work, JobState.DONE, name=name)
        (folder.path / "card.img").write_bytes(b"x" * (8 << 20))
        moment = f"2026-11-{day}T00:00:00Z"
        folder.set_status(JobStatus(state=JobState.DONE, ordered_at=moment, ended_at=moment))
    queue = JobQueue(work, never, clock)
    free = queue._free()
    tight = JobQueue(work, never, clock, QueueLimits(reserve=free - (6 << 20)))

    tight._make_room(10 << 20)

    assert [job.id for job in tight.jobs()] == ["b" * 16]


def test_what_a_killed_page_left_is_put_in_order(queue: JobQueue, work: Path) -> None:
    running = put(work, JobState.RUNNING)
    (running.path / ".card.img.draft").write_bytes(b"half")
    (running.path / "work").mkdir()
    (running.path / "work" / "scratch-1.img").write_bytes(b"half")
    done = put(work, JobState.DONE, outcome=Outcome(file="card.img"), name="d" * 16)
    (done.path / "card.img").write_bytes(b"whole")
    (work / ("e" * 16)).mkdir()  # killed between its making and the first document
    torn = put(work, JobState.WAITING, name="f" * 16)
    (torn.path / "status.json").write_bytes(b"{")

    queue.recover()

    states = {job.id: job.status.state for job in queue.jobs()}
    assert states == {running.path.name: JobState.INTERRUPTED, "d" * 16: JobState.DONE}
    left = {each.name for each in work.glob("*/*") if not each.name.endswith(".json")}
    assert left == {"card.img"}


@pytest.mark.parametrize("state", [JobState.DONE, JobState.FAILED])
def test_a_page_killed_while_a_job_was_to_be_done_again_does_not_tell_it_as_done(
    queue: JobQueue, work: Path, visit: Visited, state: JobState
) -> None:
    put(work, state, outcome=Outcome(file="card.img")).forget()  # and then it was killed

    queue.recover()

    assert [job.status.state for job in queue.jobs()] == [JobState.INTERRUPTED]
    assert "interrupted" in visit.client.get("/images/0123456789abcdef").text


def test_an_interrupted_job_waits_again_when_somebody_wants_it(
    queue: JobQueue, work: Path, visit: Visited
) -> None:
    put(work, JobState.INTERRUPTED)

    text = visit.client.get("/images/0123456789abcdef").text
    visit.post("/images/0123456789abcdef/again")

    assert "interrupted: the page ended while it ran" in text
    assert [job.status.state for job in queue.jobs()] == [JobState.WAITING]


def test_a_job_that_waits_is_cancelled_and_one_that_ended_removed(
    queue: JobQueue, work: Path, visit: Visited
) -> None:
    put(work, JobState.WAITING)

    visit.post("/images/0123456789abcdef/remove")
    assert len(queue.jobs()) == 1
    visit.post("/images/0123456789abcdef/cancel")
    assert [job.status.state for job in queue.jobs()] == [JobState.CANCELLED]
    visit.post("/images/0123456789abcdef/remove")

    assert list(work.iterdir()) == []


def test_a_folder_that_is_away_for_a_while_ends_no_queue(
    work: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a disk that is unmounted: what waits is done when it is back."""
    monkeypatch.setattr(job_queue, "_RETRY", 0.01)
    queue = JobQueue(work, failing, clock)
    put(work, JobState.WAITING)
    away = work.rename(work.with_name("away"))
    worker = threading.Thread(target=queue.work, daemon=True)
    worker.start()
    try:
        REAL.sleep(0.1)
        away.rename(work)
        until = REAL.monotonic() + 20
        while not (jobs := queue.jobs()) or not jobs[0].status.state.has_ended:
            assert REAL.monotonic() < until
            assert worker.is_alive()
            REAL.sleep(0.02)
    finally:
        queue.close()
        worker.join(20)
    assert jobs[0].status.state is JobState.FAILED


def failing(folder: Path) -> AbstractContextManager[RunningJob]:
    raise OSError(f"nothing can be started in {folder}")


def test_a_job_whose_end_could_not_be_noted_is_not_removed_for_its_age(
    queue: JobQueue, work: Path
) -> None:
    folder = JobFolder(work / "0123456789abcdef")
    folder.begin(ORDER, JobStatus(state=JobState.RUNNING, ordered_at=WHEN))

    queue._remove_old()

    (job,) = queue.jobs()
    assert job.status.state is JobState.INTERRUPTED
