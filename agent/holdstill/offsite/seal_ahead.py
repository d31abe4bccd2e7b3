"""Seals the records of a pack on several processors, and gives them back in their order.

zlib and libsodium let go of the interpreter while they work. Only so much is under way that memory
stays flat, however fast contents are read.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

from holdstill.offsite import pack_format

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from concurrent.futures import Future

_MOST_WORKERS = 4
_BATCH = 256 << 10
"""Bytes of small records that make one job: a job costs as much as 10 KiB of compressing."""
_UNDER_WAY = 3 * pack_format.SEGMENT
"""Bytes of records that are read and not sealed yet."""
_EACH = 1 << 10
"""Bytes that a record takes besides its data: small ones count as well."""


class Record(NamedTuple):
    """A record that is to be sealed.

    Attributes:
        data: of the content.
        digest: of the whole content.
        number: of the record in the pack.
        segment: of the content.
        is_last: of the content.
        is_good: whether it is the last one of a content that has its digest.
    """

    data: bytes
    digest: bytes
    number: int
    segment: int
    is_last: bool
    is_good: bool


def pool() -> ThreadPoolExecutor:
    """Return threads that seal, one a processor."""
    workers = min(_MOST_WORKERS, len(os.sched_getaffinity(0)))
    return ThreadPoolExecutor(workers, thread_name_prefix="seal")


class SealAhead:
    """Records of one pack on their way.

    Args:
        pool: of threads.
        key: of the pack.
        take: is called with each record and what it was sealed to, in their order, by the thread
            that adds them.
    """

    def __init__(
        self, pool: ThreadPoolExecutor, key: bytes, take: Callable[[Record, bytes], None]
    ) -> None:
        self._pool, self._key, self._take = pool, key, take
        self._batch: list[Record] = []
        self._jobs: deque[tuple[list[Record], Future[list[bytes]]]] = deque()
        self._in_batch = self._in_jobs = 0

    def add(self, record: Record) -> None:
        """Have a record sealed; others that are done by now are taken."""
        self._batch.append(record)
        self._in_batch += len(record.data) + _EACH
        if self._in_batch >= _BATCH:
            self._submit()
        while self._jobs and (self._in_jobs > _UNDER_WAY or self._jobs[0][1].done()):
            self._take_job()

    def finish(self) -> None:
        """Wait for all that is under way."""
        self._submit()
        while self._jobs:
            self._take_job()

    def _submit(self) -> None:
        if self._batch:
            self._jobs.append((self._batch, self._pool.submit(_sealed, self._batch, self._key)))
            self._in_jobs += self._in_batch
            self._batch, self._in_batch = [], 0

    def _take_job(self) -> None:
        records, job = self._jobs.popleft()
        self._in_jobs -= sum(len(one.data) + _EACH for one in records)
        for record, sealed in zip(records, job.result(), strict=True):
            self._take(record, sealed)


def _sealed(records: Sequence[Record], key: bytes) -> list[bytes]:
    return [
        pack_format.seal_record(
            one.data, key, one.number, one.digest, segment=one.segment, is_last=one.is_last
        )
        for one in records
    ]
