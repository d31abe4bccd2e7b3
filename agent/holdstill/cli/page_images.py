"""Brings the parts of the pages of images and rehearsals together."""

from __future__ import annotations

from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

from holdstill.cli import page_job, page_server
from holdstill.page import job_queue
from holdstill.page.images import ImagePages
from holdstill.page.job_queue import QueueLimits
from holdstill.workflow.page_images import CaptureOffers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.settings import KeeperSettings
    from holdstill.system.clocks import Clock


@contextmanager
def opened(
    store: Path, work: Path | None, settings: KeeperSettings, clock: Clock, *, days: int
) -> Iterator[ImagePages]:
    """Hold the pages, and the queue behind them.

    Args:
        store: the store's folder.
        work: where images are made; None for nowhere.
        settings: say how much of a disk stays free.
        clock: by which jobs are dated and removed.
        days: for which an ended job is kept.

    Raises:
        PreflightError: others could look into the folder.
        BusyError: another page uses it.
    """
    offers = CaptureOffers(partial(page_job.measure, store), clock)
    if work is None:
        yield ImagePages(offers, None)
        return
    page_server.check_private(work, "--work")
    limits = QueueLimits(days=days, reserve=settings.min_free)
    with job_queue.opened(work, partial(page_job.start, store), clock, limits) as queue:
        yield ImagePages(offers, queue)
