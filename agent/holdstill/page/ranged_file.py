"""A file that is sent whole or in part (RFC 9110, 13 and 14).

No thread is held while a browser does not take what is sent: each piece is read when the one
before has gone. Of several ranges at once none is served, but the whole (RFC 9110, 14.2).
"""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import Response, StreamingResponse

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from starlette.types import Receive, Scope, Send

PIECE = 32 << 10
_TAG = re.compile(r'(?:W/)?"[^"]*"')
_RANGE = re.compile(r"bytes=([0-9]{0,19})-([0-9]{0,19})")


class UnsatisfiableError(ValueError):
    """A range that has nothing of the file."""


def chosen(header: str, size: int) -> tuple[int, int] | None:
    """Return the bytes (start, end) that a Range header asks for; None for all.

    Raises:
        UnsatisfiableError: the file has none of them.
    """
    match = _RANGE.fullmatch(header.strip())
    if match is None or match[1] == match[2] == "":
        return None  # another unit, several ranges, or nonsense: it is ignored (14.2)
    if not match[1]:
        start, end = max(0, size - int(match[2])), size
        if not int(match[2]) or not size:
            raise UnsatisfiableError
        return start, end
    start = int(match[1])
    end = int(match[2]) + 1 if match[2] else size
    if match[2] and end <= start:
        return None  # not valid, so it is ignored (14.1.1)
    if start >= size:
        raise UnsatisfiableError
    return start, min(end, size)


class RangedFile(Response):
    """A file as an attachment, by a name that needs no quoting; it does not change.

    Raises:
        OSError: it cannot be opened.
    """

    def __init__(self, path: Path, *, name: str, tag: str, media_type: str) -> None:
        super().__init__()
        self._handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        self._size, self._tag = os.fstat(self._handle).st_size, f'"{tag}"'
        self._fields = {
            "accept-ranges": "bytes",
            "content-disposition": f'attachment; filename="{name}"',
            "content-type": media_type,
            "etag": self._tag,
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it, as ASGI has it."""
        try:
            is_head = scope["method"] == "HEAD"  # for which ranges have no meaning (14.2)
            status, span, more = self._judged(Headers(scope=scope), is_head=is_head)
            fields = self._fields | more | {"content-length": str(span[1] - span[0])}
            if status in {304, 412}:  # nothing of the file, and what it is only if asked for that
                fields = {"etag": self._tag} if status == 304 else {}
            answer = (
                Response(status_code=status, headers=fields)
                if is_head or span[0] == span[1]
                else StreamingResponse(self._pieces(span), status, fields)
            )
            await answer(scope, receive, send)
        finally:
            os.close(self._handle)

    def _judged(
        self, headers: Headers, *, is_head: bool
    ) -> tuple[int, tuple[int, int], dict[str, str]]:
        """Return status, bytes and further headers."""
        whole, condition = (0, self._size), headers.get("if-range")
        failed = self._failed(headers)
        if failed is not None:
            return failed, (0, 0), {}
        # A date was never sent, so none can be the one of this file (13.1.5).
        if is_head or "range" not in headers or condition not in {None, self._tag}:
            return 200, whole, {}
        try:
            span = chosen(headers["range"], self._size)
        except UnsatisfiableError:
            return 416, (0, 0), {"content-range": f"bytes */{self._size}"}
        if span is None:
            return 200, whole, {}
        return 206, span, {"content-range": f"bytes {span[0]}-{span[1] - 1}/{self._size}"}

    def _failed(self, headers: Headers) -> int | None:
        """Return the status for a condition that is not met (13.2.2), None where all are.

        A browser goes on with a download by If-Match: without it, the rest of another file, which
        the same job has made since, would be put behind the beginning of this one.
        """
        if "if-match" in headers and not _tags(headers, "if-match") & {self._tag, "*"}:
            return 412
        found = _tags(headers, "if-none-match")
        return 304 if found & {self._tag, f"W/{self._tag}", "*"} else None

    async def _pieces(self, span: tuple[int, int]) -> AsyncIterator[bytes]:
        at, end = span
        while at < end:
            piece = await run_in_threadpool(os.pread, self._handle, min(PIECE, end - at), at)
            if not piece:
                raise EOFError(f"a file ended at byte {at} of {end}")
            at += len(piece)
            yield piece


def _tags(headers: Headers, name: str) -> set[str]:
    """Return the entity tags of a condition, or `*` (RFC 9110, 8.8.3)."""
    text = ",".join(headers.getlist(name))
    return {"*"} if text.strip() == "*" else set(_TAG.findall(text))
