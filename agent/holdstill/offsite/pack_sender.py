"""Puts packs, each while the next one is being made."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import LinkError
from holdstill.offsite import keeper_heads, slow_file
from holdstill.offsite.bucket import RefusedError

if TYPE_CHECKING:
    from concurrent.futures import Future
    from pathlib import Path

    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.locks import Locks
    from holdstill.offsite.pack_writer import Pack
    from holdstill.system.clocks import Clock


class PutPack(NamedTuple):
    """A pack that was put, and that the server has said it locks."""

    pack: Pack
    version: str


class PackSender:
    """One pack at a time is on its way; what is not settled was not sent, for all we know.

    Args:
        bucket: where to.
        locks: the dates.
        rate: most bytes a second; 0 = no limit.
        clock: to wait by.
    """

    def __init__(self, bucket: Bucket, locks: Locks, rate: int, clock: Clock) -> None:
        self._bucket, self._locks, self._rate, self._clock = bucket, locks, rate, clock
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="put")
        self._put: Future[PutPack] | None = None
        self._is_given_up = False

    def begin(self, pack: Pack, path: Path) -> None:
        """Begin to put a pack; the one before must be settled. Its file goes when it was put."""
        self._put = self._thread.submit(self._send, pack, path)

    def settled(self) -> PutPack | None:
        """Wait for the pack that is on its way, and return it; None if none is.

        Raises:
            LinkError: it could not be put, or is not locked. So says each later call.
        """
        if self._put is None:
            return None
        try:
            done = self._put.result()
        except RefusedError as error:  # of a pack that is not there: nothing goes on without it
            raise LinkError(str(error), hint=error.hint) from error.__cause__
        self._put = None
        return done

    def _send(self, pack: Pack, path: Path) -> PutPack:
        key = keeper_heads.pack_key(pack.name)
        with slow_file.opened(
            path, self._rate, self._clock, is_given_up=lambda: self._is_given_up
        ) as body:
            version = self._bucket.put(key, body, pack.md5, until=self._locks.until)
        self._locks.check(key, version)
        path.unlink()
        return PutPack(pack, version)

    def close(self) -> None:
        """Give up what is on its way: no more of it is read."""
        self._is_given_up = True
        self._thread.shutdown()
