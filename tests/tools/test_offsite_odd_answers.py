"""A server, or a proxy before it, whose answers are none of S3's: told in words, and no end waited
for; and what a keeper of an invented name says of real captures.
"""

import dataclasses
import hashlib
import http.client
import os
import re
import threading
import tracemalloc
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import ClassVar

import msgspec
import pytest

from holdstill.errors import LinkError
from holdstill.offsite import check, head, keeper_heads, pack_format
from holdstill.offsite.bucket import Bucket
from support import seaweed
from support.bucket_harms import heads, put
from support.bucket_lies import INVENTED, put_lie
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

pytestmark = pytest.mark.timeout(120)
FILES = {b"etc/hostname": b"pier-3\n"}
_OWN = {"content-length", "connection", "transfer-encoding", "date"}
Changed = Callable[[bytes], bytes]


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Return a store with two captures, each sent in a night of its own."""
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    for night in range(2):
        made.capture("pier-3", FILES | {b"night": b"%d" % night})
        made.upload()
    return made


class _Odd(BaseHTTPRequestHandler):
    """Passes calls on, and changes the answers."""

    protocol_version = "HTTP/1.1"
    target: ClassVar[int]
    lists: ClassVar[list[Changed]] = []
    date: ClassVar[str] = ""
    is_endless: ClassVar[bool] = False
    until: ClassVar[str] = ""
    has_length: ClassVar[bool] = True
    gone: ClassVar[str] = ""
    """In the path of what is listed and not there."""
    short: ClassVar[str] = ""
    """In the path of what is sent without its end, and said to be whole."""

    def _answer(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
        line = http.client.HTTPConnection("127.0.0.1", self.target, timeout=60)
        line.putrequest(self.command, self.path, skip_host=True, skip_accept_encoding=True)
        for name, value in self.headers.items():
            if name.lower() not in {"expect", "connection"}:
                line.putheader(name, value)
        line.endheaders(body)
        got = line.getresponse()
        data = got.read()
        if "versions" in self.path.partition("?")[2]:
            for change in self.lists:
                data = change(data)
        if self.short and self.short in self.path:
            data = data[: len(data) // 2]
        is_gone = bool(self.gone) and self.gone in self.path
        if is_gone:
            data = b"<Error><Code>NoSuchKey</Code></Error>"
        self.send_response_only(404 if is_gone else got.status)
        for name, value in got.getheaders():
            if name.lower() == "x-amz-object-lock-retain-until-date":
                self.send_header(name, self.until or value)
            elif name.lower() not in _OWN:
                self.send_header(name, value)
        self.send_header("Date", self.date or got.getheader("Date", ""))
        is_endless = self.is_endless and self.command == "GET" and "/packs/" in self.path
        if not is_endless and (self.has_length or self.command != "HEAD"):
            length = got.getheader("Content-Length", "0") if self.command == "HEAD" else len(data)
            self.send_header("Content-Length", str(length))
        self.end_headers()
        if self.command != "HEAD":
            self._send(data, is_endless=is_endless)
        line.close()

    def _send(self, data: bytes, *, is_endless: bool) -> None:
        self.close_connection = is_endless
        try:
            self.wfile.write(data)
            while is_endless:
                self.wfile.write(bytes(1 << 16))
        except OSError:
            self.close_connection = True  # whoever asked has gone

    do_GET = do_PUT = do_POST = do_DELETE = do_HEAD = _answer  # noqa: N815  of the standard library

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  of the standard library
        """Say nothing."""


@pytest.fixture
def odd(server: Seaweed) -> Iterator[tuple[str, type[_Odd]]]:
    """Return the endpoint of a server whose answers are odd, and what makes them so."""
    handler = type("Handler", (_Odd,), {"target": server.port, "lists": []})
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as proxy:
        proxy.daemon_threads = True
        threading.Thread(target=proxy.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{proxy.server_port}", handler
        proxy.shutdown()


def _without(element: bytes) -> Changed:
    return lambda data: re.sub(rb"<%s>[^<]*</%s>" % (element, element), b"", data)


def _goes_on_with(marker: bytes) -> Changed:
    more = b"<IsTruncated>true</IsTruncated>" + marker
    return lambda data: data.replace(b"<IsTruncated>false</IsTruncated>", more)


# Required of each version, and of a list that goes on: Amazon S3's API reference of
# ListObjectVersions, from memory.
ODD_LISTS = {
    "no size": _without(b"Size"),
    "no key": _without(b"Key"),
    "no id": _without(b"VersionId"),
    "no word of its end": _without(b"IsTruncated"),
    "size of words": lambda data: re.sub(rb"<Size>\d+<", b"<Size>many<", data),
    "goes on nowhere": _goes_on_with(b""),
    "goes on where it was": _goes_on_with(b"<NextKeyMarker>x</NextKeyMarker>"),
}


@pytest.mark.parametrize("change", ODD_LISTS.values(), ids=ODD_LISTS.keys())
def test_a_list_that_is_none_is_told_in_words(
    copied: CopiedStore, odd: tuple[str, type[_Odd]], change: Changed
) -> None:
    endpoint, handler = odd
    handler.lists.append(change)

    with pytest.raises(LinkError, match=r"the list of keepers/: .* not as S3 has it"):
        _read(copied, endpoint)
    with pytest.raises(LinkError, match="not as S3 has it"):
        copied.upload(by_way_of=endpoint)

    _read(copied)


def test_an_answer_without_end_is_read_as_far_as_was_asked(
    copied: CopiedStore, odd: tuple[str, type[_Odd]]
) -> None:
    endpoint, handler = odd
    handler.is_endless = True

    _read(copied, endpoint)


def test_a_pack_of_which_less_is_sent_costs_its_captures_alone(
    copied: CopiedStore, odd: tuple[str, type[_Odd]]
) -> None:
    endpoint, handler = odd
    last = head.decode(copied.bucket.read(heads(copied)[-1]), copied.key.of_keeper.heads)
    handler.short = last.sealed.packs[0].name
    bucket = Bucket(dataclasses.replace(copied.address, endpoint=endpoint), seaweed.KEEPER)

    found = check.check(bucket, Silent(), own=None, parts=1, turn=0)
    report = copied.restore(copied.folder / "again", by_way_of=endpoint)

    assert found.read == 2
    assert [handler.short in text and "cannot be read" in text for text in found.altered] == [True]
    assert [name.partition("-2")[0] for name in report.captures] == ["pier-3/000001"]
    assert any("000002" in one.board for one in report.troubles)


def test_a_million_places_in_a_pack_of_junk_are_not_all_asked_for(copied: CopiedStore) -> None:
    """Of a name that comes first: the one pack is tried once, and last from then on."""
    real = [
        head.decode(copied.bucket.read(one), copied.key.of_keeper.heads) for one in heads(copied)
    ]
    digests = {
        row.digest for told in real for pack in told.sealed.packs
        for row in pack_format.rows_of(pack.rows)
    }  # fmt: skip
    junk = os.urandom(200_000)
    name = hashlib.sha256(junk).hexdigest()
    put(copied, keeper_heads.pack_key(name), junk)
    rows = b"".join(
        pack_format.Row(one, 100 + n, 50, 1).encode() for n in range(2_000) for one in digests
    )
    lie = head.PackRows(name=name, sealed_key=real[0].sealed.packs[0].sealed_key, rows=rows)
    put_lie(
        copied, head.SealedPart(packs=(lie,)), keeper=INVENTED, number=1, previous="",
        came=(head.PackObject(name=name, size=len(junk)),),
    )  # fmt: skip

    with copied.library() as opened:
        assert copied.restored(opened, "pier-3/2") == FILES | {b"night": b"1"}
        assert opened.catalogue.bucket.requests < 100


def test_a_large_content_is_read_as_it_arrives(copied: CopiedStore) -> None:
    """Its bytes, and those of junk that somebody says it is: neither is ever held whole."""
    large = os.urandom(15 << 20)  # below what files are kept in pieces from
    copied.capture("pier-3", FILES | {b"large": large})
    copied.upload()
    digest = hashlib.sha256(large).digest()
    told = head.decode(copied.bucket.read(heads(copied)[-1]), copied.key.of_keeper.heads)
    rows = {row.digest: row for one in told.sealed.packs for row in pack_format.rows_of(one.rows)}
    name = hashlib.sha256(bytes(100 << 20)).hexdigest()
    put(copied, keeper_heads.pack_key(name), bytes(100 << 20))
    lie = head.PackRows(
        name=name, sealed_key=told.sealed.packs[0].sealed_key,
        rows=rows[digest]._replace(offset=0, first=0, length=99 << 20).encode(),
    )  # fmt: skip
    put_lie(
        copied, head.SealedPart(packs=(lie,)), keeper=INVENTED, number=1, previous="",
        came=(head.PackObject(name=name, size=100 << 20),),
    )  # fmt: skip
    folder = copied.folder / "large"
    folder.mkdir()

    with copied.library() as opened:
        assert [place.pack == name for place in opened.catalogue.places(digest)] == [True, False]
        tracemalloc.start()
        opened.fetcher.contents([digest], folder)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()

    assert (folder / digest.hex()).read_bytes() == large
    assert most < 32 << 20


def test_a_pack_that_goes_while_it_is_checked_is_missing_and_the_others_are_read(
    copied: CopiedStore, odd: tuple[str, type[_Odd]]
) -> None:
    endpoint, handler = odd
    last = head.decode(copied.bucket.read(heads(copied)[-1]), copied.key.of_keeper.heads)
    handler.gone = last.sealed.packs[0].name
    bucket = Bucket(dataclasses.replace(copied.address, endpoint=endpoint), seaweed.KEEPER)

    found = check.check(bucket, Silent(), own=None, parts=1, turn=0)

    assert found.missing == (f"pack {handler.gone}",)
    assert (found.read, found.altered) == (1, ())


@pytest.mark.parametrize("told", ["many", "2027-12-31T00:00:00", None])
def test_a_lock_that_is_told_oddly_ends_no_check_without_words(
    copied: CopiedStore, odd: tuple[str, type[_Odd]], told: str | None
) -> None:
    endpoint, handler = odd
    handler.until, handler.has_length = told or "", told is not None
    bucket = Bucket(dataclasses.replace(copied.address, endpoint=endpoint), seaweed.KEEPER)

    if told == "2027-12-31T00:00:00":  # without a zone: of UTC
        assert check.check(bucket, Silent(), own=None, parts=1, turn=0).unlocked == ()
        return
    with pytest.raises(LinkError, match="not as S3 has it"):
        check.check(bucket, Silent(), own=None, parts=1, turn=0)


@pytest.mark.parametrize("date", ["Fri, 31 Dec 9999 23:59:59 -2359", "soon"])
def test_a_date_that_is_none_is_told_in_words(
    copied: CopiedStore, odd: tuple[str, type[_Odd]], date: str
) -> None:
    endpoint, handler = odd
    handler.date = date
    copied.capture("pier-3", FILES | {b"night": b"2"})

    with pytest.raises(LinkError, match="does not say what time it is"):
        copied.upload(by_way_of=endpoint)


def test_a_head_under_digits_of_another_script_is_none(copied: CopiedStore) -> None:
    """Arabic-Indic digits (Unicode, U+0660 to U+0669) are digits to Python's patterns, too."""
    first = heads(copied)[0]
    number = first.key.rpartition("/")[2].translate({48 + n: 0x660 + n for n in range(10)})
    put(copied, f"{first.key.rpartition('/')[0]}/{number}", copied.bucket.read(first))

    found = check.check(copied.bucket, Silent(), own=None, parts=1, turn=0)

    assert (found.heads, found.altered, found.unlocked) == (2, (), ())
    assert len([*keeper_heads.found(copied.bucket)]) == 2


def test_an_invented_keeper_does_not_make_the_newest_capture_be_passed_over(
    copied: CopiedStore,
) -> None:
    last = head.decode(copied.bucket.read(heads(copied)[-1]), copied.key.of_keeper.heads)
    (real,) = last.sealed.captures
    untrue = (
        msgspec.structs.replace(real.brief, damaged_at="2026-12-01T06:00:00Z"),
        msgspec.structs.replace(real.brief, faults=("unsigned: no key of the board",)),
    )
    for number, brief in enumerate(untrue, 1):
        lie = head.SentCapture(board=real.board, brief=brief, documents=real.documents)
        sealed = head.SealedPart(captures=(lie,))
        put_lie(copied, sealed, keeper=f"{INVENTED[1:]}{number}", number=1, previous="")

    with copied.library() as opened:
        assert str(opened.find("pier-3").name) == real.brief.name


def _read(held: CopiedStore, endpoint: str = "") -> None:
    with held.library(by_way_of=endpoint) as opened:
        for night in range(2):
            expected = FILES | {b"night": b"%d" % night}
            assert held.restored(opened, f"pier-3/{night + 1}") == expected
