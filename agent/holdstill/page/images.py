"""Images and rehearsals: ordered on a page, watched, and taken away."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.responses import PlainTextResponse, RedirectResponse, Response

from holdstill.errors import HoldstillError, PreflightError, UsageError
from holdstill.model import names
from holdstill.page import image_form
from holdstill.page.job_folder import CONSOLE, SCREEN
from holdstill.page.job_records import JobKind, JobState, Order, Packing
from holdstill.page.ranged_file import RangedFile
from holdstill.page.roles import Role
from holdstill.page.visit import Page
from holdstill.system import files

if TYPE_CHECKING:
    from holdstill.page.image_offer import ImageOffer, ImageOffers
    from holdstill.page.job_queue import JobQueue
    from holdstill.page.job_records import Job
    from holdstill.page.visit import Visit

JOBS = "/images"
_CAPTURE = "/boards/{board}/{capture}"
CONSOLE_SHOWN = 64 << 10
"""Bytes from the end of a console that are shown."""
AGAIN = 5
"""Seconds after which a page that is followed is asked for again."""
_PNG = b"\x89PNG\r\n\x1a\n"
_TYPES = {
    Packing.NONE: "application/octet-stream",
    Packing.ZST: "application/zstd",
    Packing.XZ: "application/x-xz",
    Packing.ZIP: "application/zip",
}  # RFC 8878, 7.1; IANA, Media Types


@dataclass(frozen=True)
class ImagePages:
    """The pages of images and rehearsals.

    Attributes:
        queue: None where the page has no folder for them.
    """

    offers: ImageOffers
    queue: JobQueue | None

    @property
    def pages(self) -> tuple[Page, ...]:
        """All of them; who may not make images sees none."""
        shown = {
            f"{_CAPTURE}/image": self.form,
            f"{_CAPTURE}/rehearsal": self.rehearsal_form,
            JOBS: self.listed,
            JOBS + "/{job}": self.shown,
            JOBS + "/{job}/{name}": self.sent,
        }
        changed = {
            f"{_CAPTURE}/image": self.ordered,
            f"{_CAPTURE}/rehearsal": self.rehearsal_ordered,
            JOBS + "/{job}/cancel": self.cancelled,
            JOBS + "/{job}/again": self.again,
            JOBS + "/{job}/remove": self.removed,
        }
        return (
            *(Page(path, view, Role.IMAGES) for path, view in shown.items()),
            *(Page(path, view, Role.IMAGES, is_changing=True) for path, view in changed.items()),
        )

    # Ordering --------------------------------------------------------------------------------

    def form(self, visit: Visit) -> Response:
        """Ask what is to be made of a capture."""
        self._queue()
        return self._form(visit, image_form.disk(visit.query.get("disk", "")))

    def ordered(self, visit: Visit) -> Response:
        """Order an image, or say what is wrong with the order."""
        board, capture = visit.place["board"], visit.place["capture"]
        disk = visit.form.get("disk", "")
        offer = self.offers.offer(board, capture, disk)
        if offer is None:
            return self._form(visit, disk)
        try:
            order = image_form.order(
                visit.form, board, capture, offer=offer, packings=self.offers.packings()
            )
        except UsageError as error:
            return self._form(visit, disk, error)
        return self._added(order)

    def rehearsal_form(self, visit: Visit) -> Response:
        """Tell what a rehearsal is, what it needs, and what is known of the capture before."""
        self._queue()
        board, capture = visit.place["board"], visit.place["capture"]
        offer = self.offers.offer(board, capture, "")
        return _measured(offer, visit.page(
            "rehearsal_form.html", board=board, capture=capture, offer=offer,
            missing=self.offers.emulators(),
        ))  # fmt: skip

    def rehearsal_ordered(self, visit: Visit) -> Response:
        """Order a rehearsal; its room is that of the smallest image, where that is known."""
        board = names.check_board(visit.place["board"])
        capture = str(names.CaptureName.parse(visit.place["capture"]))
        offer = self.offers.offer(board, capture, "")
        room = offer.room(2 * offer.captured, Packing.NONE) if offer else 0
        return self._added(Order(kind=JobKind.REHEARSAL, board=board, capture=capture, room=room))

    # Jobs ------------------------------------------------------------------------------------

    def listed(self, visit: Visit) -> Response:
        """Show all jobs."""
        queue = self._queue()
        jobs = queue.jobs()
        is_open = any(not job.status.state.has_ended for job in jobs)
        return _followed(visit, visit.page(
            "jobs.html", jobs=jobs, ages=queue.expires, is_open=is_open,
        ), is_open=is_open)  # fmt: skip

    def shown(self, visit: Visit) -> Response:
        """Show a job: how far it is, or what came of it and what to do with that."""
        queue = self._queue()
        job = queue.job(visit.place["job"])
        folder = queue.folder(job.id).path
        is_open = not job.status.state.has_ended
        return _followed(visit, visit.page(
            "job.html",
            job=job,
            console=self.offers.console(_tail(folder / CONSOLE)).split("\n"),
            has_screen=(folder / SCREEN).is_file(),
            expires=queue.expires(job),
            is_open=is_open,
            is_rehearsal=job.order.kind is JobKind.REHEARSAL,
        ), is_open=is_open)  # fmt: skip

    def sent(self, visit: Visit) -> Response:
        """Send an image, its checksum, or the picture of a screen."""
        queue = self._queue()
        job, name = queue.job(visit.place["job"]), visit.place["name"]
        folder, made = queue.folder(job.id).path, job.outcome
        if name == SCREEN:
            return _picture(folder / SCREEN)
        if made is not None and made.file and job.status.state is JobState.DONE:
            if name == made.file:
                kind = _TYPES[job.order.packing]
                return RangedFile(
                    folder / made.file, name=made.file, tag=made.sha256, media_type=kind
                )
            if name == f"{made.file}.sha256":
                return _checksum(job)
        raise UsageError("there is no such file", hint="its page shows which there are")

    def cancelled(self, visit: Visit) -> Response:
        """End a job."""
        self._queue().cancel(visit.place["job"])
        return RedirectResponse(f"{JOBS}/{visit.place['job']}", 303)

    def again(self, visit: Visit) -> Response:
        """Do a job again that has ended."""
        self._queue().again(visit.place["job"])
        return RedirectResponse(f"{JOBS}/{visit.place['job']}?follow=1", 303)

    def removed(self, visit: Visit) -> Response:
        """Remove a job that has ended."""
        self._queue().remove(visit.place["job"])
        return RedirectResponse(JOBS, 303)

    # -----------------------------------------------------------------------------------------

    def _queue(self) -> JobQueue:
        if self.queue is None:
            raise PreflightError(
                "this page has no folder for images",
                hint="start it with --work FOLDER, on a disk with room for some cards",
            )
        return self.queue

    def _added(self, order: Order) -> Response:
        return RedirectResponse(f"{JOBS}/{self._queue().add(order).id}?follow=1", 303)

    def _form(self, visit: Visit, disk: str, problem: HoldstillError | None = None) -> Response:
        offer: ImageOffer | None = self.offers.offer(
            visit.place["board"], visit.place["capture"], disk
        )
        return _measured(offer, visit.page(
            "image_form.html",
            status=400 if problem else 200,
            board=visit.place["board"],
            capture=visit.place["capture"],
            offer=offer,
            disk=disk or "1",
            given=visit.form,
            problem=problem,
            packings=self.offers.packings(),
        ))  # fmt: skip


def _measured(offer: ImageOffer | None, answer: Response) -> Response:
    """Have a browser ask again where a capture is being measured, which ends by itself."""
    if offer is None:
        answer.headers["Refresh"] = "3"
    return answer


def _followed(visit: Visit, answer: Response, *, is_open: bool) -> Response:
    """Have a browser ask again for what changes, if somebody wants that.

    The header does what a `meta` of the same name does, in a page whose reader can turn it off
    (WCAG 2.2, 2.2.1 and 2.2.2).
    """
    if is_open and visit.query.get("follow") == "1":
        answer.headers["Refresh"] = str(AGAIN)
    return answer


def _checksum(job: Job) -> Response:
    """Return a checksum in the form that `sha256sum --check` takes (GNU coreutils)."""
    made = job.outcome
    if made is None:
        raise UsageError("there is no checksum yet")
    name = f"{made.file}.sha256"
    return PlainTextResponse(
        f"{made.sha256}  {made.file}\n",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _picture(path: os.PathLike[str]) -> Response:
    """Return the picture of a screen, which the emulator has made."""
    content = b""
    with suppress(FileNotFoundError), files.opened(os.fspath(path)) as handle:
        content = os.read(handle, 32 << 20)
    if not content.startswith(_PNG):
        raise UsageError("there is no picture")
    return Response(content, media_type="image/png")


def _tail(path: os.PathLike[str]) -> bytes:
    """Return the end of a console; b"" where there is none."""
    try:
        with files.opened(os.fspath(path)) as handle:
            size = os.fstat(handle).st_size
            return os.pread(handle, CONSOLE_SHOWN, max(0, size - CONSOLE_SHOWN))
    except OSError:
        return b""
