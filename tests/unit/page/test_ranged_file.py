"""Files in part, as RFC 9110, 13.1.5 and 14, has it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from starlette.applications import Starlette
from starlette.routing import Route

from holdstill.page import ranged_file
from holdstill.page.ranged_file import RangedFile, UnsatisfiableError
from support.asgi_client import AsgiClient

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from starlette.requests import Request

CONTENT = bytes(range(256)) * 4096  # more than one piece


@pytest.fixture
def client(tmp_path: Path) -> Iterator[AsgiClient]:
    (tmp_path / "card.img").write_bytes(CONTENT)

    async def sent(_: Request) -> RangedFile:
        return RangedFile(
            tmp_path / "card.img", name="card.img", tag="abc", media_type="application/zip"
        )

    client = AsgiClient(Starlette(routes=[Route("/card.img", sent)]), "http://localhost")
    yield client
    client.close()


# RFC 9110, 14.1.2: the examples are those of a representation of 10,000 bytes.
@pytest.mark.parametrize(
    ("header", "span"),
    [
        ("bytes=0-499", (0, 500)),
        ("bytes=500-999", (500, 1000)),
        ("bytes=-500", (9500, 10000)),
        ("bytes=9500-", (9500, 10000)),
        ("bytes=9500-99999", (9500, 10000)),
        ("bytes=-99999", (0, 10000)),
        ("bytes=0-0,-1", None),  # several: a server may send all of it (14.2)
        ("lines=1-2", None),
        ("bytes=5-4", None),
        ("bytes=-", None),
        ("bytes=a-b", None),
        ("bytes=" + "9" * 400 + "-", None),
    ],
)
def test_a_range_is_read(header: str, span: tuple[int, int] | None) -> None:
    assert ranged_file.chosen(header, 10000) == span


@pytest.mark.parametrize("header", ["bytes=10000-", "bytes=99999-100000", "bytes=-0"])
def test_a_range_behind_the_end_cannot_be_satisfied(header: str) -> None:
    with pytest.raises(UnsatisfiableError):
        ranged_file.chosen(header, 10000)


def test_without_a_range_all_of_it_is_sent(client: AsgiClient) -> None:
    answer = client.get("/card.img")

    assert (answer.status, answer.body) == (200, CONTENT)
    assert answer.headers["accept-ranges"] == "bytes"
    assert answer.headers["content-disposition"] == 'attachment; filename="card.img"'
    assert answer.headers["content-length"] == str(len(CONTENT))


@pytest.mark.parametrize(("first", "last"), [(0, 0), (1, 300_000), (262_143, 262_145)])
def test_a_part_is_sent_with_what_it_is_a_part_of(
    client: AsgiClient, first: int, last: int
) -> None:
    answer = client.get("/card.img", {"Range": f"bytes={first}-{last}"})

    assert (answer.status, answer.body) == (206, CONTENT[first : last + 1])
    assert answer.headers["content-range"] == f"bytes {first}-{last}/{len(CONTENT)}"
    assert answer.headers["content-length"] == str(last + 1 - first)


@pytest.mark.parametrize(
    ("condition", "status"),
    [('"abc"', 206), ('"other"', 200), ('W/"abc"', 200), ("Tue, 24 Nov 2026 08:00:00 GMT", 200)],
)
def test_only_a_part_of_the_same_file_is_sent(
    client: AsgiClient, condition: str, status: int
) -> None:
    answer = client.get("/card.img", {"Range": "bytes=5-", "If-Range": condition})

    assert answer.status == status
    assert answer.body == (CONTENT[5:] if status == 206 else CONTENT)


def test_what_cannot_be_satisfied_tells_the_length(client: AsgiClient) -> None:
    answer = client.get("/card.img", {"Range": f"bytes={len(CONTENT)}-"})

    assert (answer.status, answer.body) == (416, b"")
    assert answer.headers["content-range"] == f"bytes */{len(CONTENT)}"


def test_a_range_means_nothing_where_only_the_head_is_asked_for(client: AsgiClient) -> None:
    answer = client.ask("HEAD", "/card.img", headers={"Range": "bytes=5-9"})

    assert (answer.status, answer.body) == (200, b"")
    assert answer.headers["content-length"] == str(len(CONTENT))


# RFC 9110, 13.1.1, 13.1.2 and 13.2.2: both are judged before a range is.
@pytest.mark.parametrize(
    ("name", "tags", "status"),
    [
        ("If-Match", '"abc"', 206),
        ("If-Match", '"other", "abc"', 206),
        ("If-Match", "*", 206),
        ("If-Match", '"other"', 412),
        ("If-Match", 'W/"abc"', 412),
        ("If-Match", "", 412),
        ("If-None-Match", '"other"', 206),
        ("If-None-Match", '"other", W/"abc"', 304),
        ("If-None-Match", "*", 304),
    ],
)
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_a_download_is_not_gone_on_with_what_is_another_file(
    client: AsgiClient, method: str, name: str, tags: str, status: int
) -> None:
    answer = client.ask(method, "/card.img", headers={"Range": "bytes=5-", name: tags})

    assert answer.status == (200 if (method, status) == ("HEAD", 206) else status)
    assert answer.body == (CONTENT[5:] if answer.status == 206 else b"")
    assert answer.headers.get("etag") == (None if status == 412 else '"abc"')
