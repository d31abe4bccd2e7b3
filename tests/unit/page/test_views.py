from __future__ import annotations

import os
import re
import sqlite3
import time
from contextlib import closing
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import pytest

from holdstill.keeper import capture_notes, enrolment, references
from holdstill.keeper.ledger import LedgerFile
from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.page.roles import Role
from holdstill.workflow import keeper_page
from support import keeping
from support import page as pages
from support.keeping import PIER_3, PIER_4, Board, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.system.process import Command
    from support.keeping import FakeClock
    from support.page import Visited

DAY = 86_400.0
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title></svg><style>*{display:none}</style>",
    "javascript:alert(1)",
    "{{ 7*7 }}{% raw %}",
    "\u202egnp.exe",
    "a\x1b[2Jb\nc",
    "\u0600" * 3,
    "x" * 255,
    "&lt;b&gt;",
)


class Seen(HTMLParser):
    """What a browser would make of a page: its elements, attributes and text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.words += data


@pytest.fixture
def visited(store: Store, tmp_path: Path, clock: FakeClock) -> Iterator[Visited]:
    with pages.opened(store, tmp_path, clock=clock) as page:
        page.enter()
        yield page


def take(store: Store, clock: FakeClock, *, nights: int = 1) -> list[str]:
    """Take captures of pier-3, one a night; return their names."""
    names = []
    for night in range(nights):
        clock.advance(DAY)
        with keeping.keeper_of(store, clock=clock) as keeper:
            files = {b"etc/hosts": b"night %d" % night}
            names.append(Board(keeper, clock=clock, files=files).capture().name)
    return names


def row_of(page: str, board: str) -> str:
    """Return a board's row of the overview, as text."""
    found = re.search(
        rf'<tr[^>]*>\s*<th scope="row"><a href="/boards/{board}".*?</tr>', page, re.S
    )
    assert found, page
    return " ".join(Seen(found[0]).words.split())


def test_a_good_board_is_shown_with_all_that_is_known(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    *_, newest = take(store, clock, nights=2)
    capture_notes.verified(store, PIER_3, {newest: "2026-11-27T04:00:00Z"}, clock=clock)
    capture_notes.booted(store, PIER_3, newest, clock=clock)
    whole = BootFinding(verdict=BootVerdict.WHOLE)
    capture_notes.judged(store, PIER_3, newest, whole, clock=clock)
    clock.advance(3600)

    row = row_of(visited.text("/"), PIER_3)

    assert row == (
        "pier-3 good 1 h point-in-time 2026-11-27 04:00 2026-11-27 02:15 yes, by its files "
        "not known 7 B 2"
    )


def test_one_day_is_not_counted_as_days(store: Store, clock: FakeClock, visited: Visited) -> None:
    take(store, clock)
    clock.advance(DAY)

    assert "in the last 1 day;" in visited.text("/")


def test_the_worst_board_is_first(store: Store, clock: FakeClock, visited: Visited) -> None:
    take(store, clock)
    enrolment.enrol(store, PIER_4, keeping.OTHER_KEY, clock=clock, limits=None)
    (manifest,) = (store.board_folder(PIER_3) / "captures").glob("*/manifest.yaml")
    manifest.chmod(0o600)
    manifest.write_bytes(manifest.read_bytes().replace(b"xfs", b"zfs"))

    text = visited.text("/")

    assert re.findall(r'scope="row"><a href="/boards/([^"]+)"', text) == [PIER_3, PIER_4]
    assert "in trouble" in row_of(text, PIER_3)
    assert "bad checksum" in row_of(text, PIER_3)


def test_a_silent_board_is_told(store: Store, clock: FakeClock, visited: Visited) -> None:
    take(store, clock)
    assert "good" in row_of(visited.text("/"), PIER_3)

    clock.advance(9 * DAY)

    assert "silent" in row_of(visited.text("/"), PIER_3)


def test_what_changes_shows_at_once(store: Store, clock: FakeClock, visited: Visited) -> None:
    (name,) = take(store, clock)
    assert "never" in row_of(visited.text("/"), PIER_3)

    capture_notes.damaged(store, PIER_3, [name], clock=clock)

    assert "damaged" in row_of(visited.text("/"), PIER_3)


def test_what_was_altered_in_an_older_capture_shows_in_time(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    oldest, _ = take(store, clock, nights=2)
    assert "good" in row_of(visited.text("/"), PIER_3)
    manifest = store.board_folder(PIER_3) / "captures" / oldest / "manifest.yaml"
    manifest.chmod(0o600)
    manifest.write_bytes(manifest.read_bytes() + b"#")

    assert "bad checksum" in visited.text(f"/boards/{PIER_3}")

    clock.advance(keeper_page.AGAIN)
    assert "in trouble" in row_of(visited.text("/"), PIER_3)


def test_a_board_that_cannot_be_read_does_not_hide_the_others(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    take(store, clock)
    enrolment.enrol(store, PIER_4, keeping.OTHER_KEY, clock=clock, limits=None)
    (store.board_folder(PIER_4) / "enrolment.yaml").write_bytes(b"board: [")

    for _ in range(2):  # also when it is remembered
        text = visited.text("/")
        assert "good" in row_of(text, PIER_3)
        assert "in trouble" in row_of(text, PIER_4)
    assert visited.client.get(f"/boards/{PIER_4}").status == 200


def test_a_page_does_not_wait_for_a_board_that_is_being_sealed(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    take(store, clock)
    ledger = LedgerFile(store.board_folder(PIER_3) / "ledger.jsonl")

    with ledger.held_for_writing(store.disk):  # a page that waited would wait for ever
        assert "good" in row_of(visited.text("/"), PIER_3)
        assert "Time line" in visited.text(f"/boards/{PIER_3}")


def test_a_page_does_not_wait_for_who_writes_to_the_references(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    take(store, clock)
    begun = time.monotonic()

    with closing(sqlite3.connect(store.root / references.NAME)) as writer:
        writer.execute("BEGIN EXCLUSIVE")  # as while a large capture is accounted for
        assert "good" in row_of(visited.text("/"), PIER_3)
        assert "Time line" in visited.text(f"/boards/{PIER_3}")

    assert time.monotonic() - begun < 30  # who waits for the database waits for a minute


def test_a_look_leaves_the_store_as_it_is(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    take(store, clock)
    before = keeping.snapshot(store.root)

    for path in ("/", f"/boards/{PIER_3}"):
        visited.text(path)

    assert keeping.snapshot(store.root) == before


def test_a_board_has_its_captures_as_line_plots_and_table(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    names = take(store, clock, nights=3)

    text = visited.text(f"/boards/{PIER_3}")

    seen = Seen(text)
    links = [value for name, value in seen.attributes if name == "href" and "/boards/" in value]
    assert links == [
        *(f"/boards/{PIER_3}/{name}" for name in names),  # on the line
        *(f"/boards/{PIER_3}/{name}" for name in reversed(names)),
    ]
    assert "Frozen span: 3 captures, from 97 ms to 97 ms; the last 97 ms" in text
    assert seen.words.count("97 ms") >= 3  # in the table as well
    assert seen.tags.count("polyline") == 2


def test_who_may_make_images_gets_from_a_board_to_that_of_its_last_capture(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    *_, newest = take(store, clock, nights=2)
    way = f'href="/boards/{PIER_3}/{newest}/image"'
    assert way not in visited.text(f"/boards/{PIER_3}")

    visited.enter(Role.IMAGES)

    assert way in visited.client.get(f"/boards/{PIER_3}").text


def test_a_note_stands_beside_its_capture(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    (name,) = take(store, clock)
    capture_notes.note(store, PIER_3, name, "before the <new> kernel", clock=clock)

    for path in (f"/boards/{PIER_3}", f"/boards/{PIER_3}/{name}"):
        assert "before the &lt;new&gt; kernel" in visited.text(path)


def test_that_is_the_last_one_without_damage(
    store: Store, clock: FakeClock, visited: Visited
) -> None:
    whole, newest = take(store, clock, nights=2)
    capture_notes.damaged(store, PIER_3, [newest], clock=clock)
    visited.enter(Role.IMAGES)

    text = visited.client.get(f"/boards/{PIER_3}").text

    assert f'href="/boards/{PIER_3}/{whole}/image"' in text
    assert f'href="/boards/{PIER_3}/{newest}/image"' not in text


def test_a_board_that_has_brought_nothing_has_a_page(visited: Visited) -> None:
    text = visited.text(f"/boards/{PIER_3}")

    assert "No capture has arrived yet." in text


@pytest.mark.parametrize(
    "name", ["none", "..", "../store.yaml", "%2e%2e", "a b", "\0", *HOSTILE[:4], "x" * 300]
)
def test_a_board_that_is_not_there_is_told(visited: Visited, name: str) -> None:
    answer = visited.client.get(f"/boards/{name}")

    assert answer.status == 404
    _check_harmless(answer.text)


@pytest.mark.parametrize("words", HOSTILE)
def test_words_of_a_board_do_nothing_on_a_page(
    store: Store, clock: FakeClock, visited: Visited, words: str
) -> None:
    first, last = take(store, clock, nights=2)
    whole, broken = (
        BootFinding(verdict=BootVerdict.WHOLE),
        BootFinding(verdict=BootVerdict.BROKEN, lacking=(f"there is no {words}",)),
    )
    capture_notes.judged(store, PIER_3, first, whole, clock=clock)
    capture_notes.judged(store, PIER_3, last, broken, clock=clock)

    for path in ("/", f"/boards/{PIER_3}"):
        text = visited.text(path)
        assert "would not boot: there is no" in Seen(text).words
        _check_harmless(text)


@pytest.mark.parametrize("words", [word for word in HOSTILE if "/" not in word])
def test_a_name_that_somebody_put_into_the_store_does_nothing(
    store: Store, visited: Visited, words: str
) -> None:
    (store.root / "boards" / os.fsencode(words).decode(errors="surrogateescape")).mkdir()

    text = visited.text("/")

    assert "is the folder of no board" in text
    _check_harmless(text)


@pytest.mark.parametrize("words", HOSTILE)
def test_words_of_an_address_do_nothing(visited: Visited, words: str) -> None:
    for field in ("name", "state", "sort", "reverse"):
        _check_harmless(visited.client.get("/?" + urlencode({field: words})).text)
    _check_harmless(visited.client.get("/enter", link=words).text)


def _check_harmless(text: str) -> None:
    """Fail if something on a page is not ours: elements, addresses, or what steers a reader."""
    seen = Seen(text)
    assert not {*seen.tags} & {"script", "img", "style", "iframe", "object", "b>"}
    for name, value in seen.attributes:
        assert not name.startswith("on"), name
        if name in {"href", "src", "action"}:
            assert value.startswith(("/", "#")), value
            assert not value.startswith("//"), value
    shown = seen.words + "".join(value for name, value in seen.attributes if name != "value")
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u0600-\u06ff\x00-\x09\x0b-\x1f]", shown)


def test_pages_do_not_wait_for_signatures_that_were_checked_before(
    store: Store, clock: FakeClock, tmp_path: Path
) -> None:
    take(store, clock, nights=3)
    counted = Counted()
    with pages.opened(store, tmp_path, clock=clock, runner=counted) as visited:
        visited.keeper.look_at_all()
        visited.keeper.check_signatures()
        assert counted.calls == 3

        visited.text("/")
        visited.text(f"/boards/{PIER_3}")
        visited.keeper.check_signatures()
        assert counted.calls == 3

        take(store, clock)
        assert "good" in row_of(visited.text("/"), PIER_3)
        assert counted.calls == 4


class Counted(FakeSignatures):
    """Stands for the tool that checks signatures, and counts how often it is asked."""

    calls = 0

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        self.calls += 1
        return super().run(command, stdin=stdin)


def test_trouble_of_the_store_shows_when_it_was_looked_at(store: Store, visited: Visited) -> None:
    (store.root / "trash").rmdir()
    (store.root / "trash").symlink_to(store.root / "content")

    visited.keeper.look_at_all()

    assert "trash" in Seen(visited.text("/")).words
