"""A capture as it is looked at: its manifest, its files, its changes; with hostile names."""

from __future__ import annotations

import re
import tracemalloc
from html import unescape
from typing import TYPE_CHECKING

import pytest

from holdstill.model.foreign_text import printable
from holdstill.page import place
from holdstill.page.guard import FILE_POLICY, POLICY
from holdstill.page.place import Place
from holdstill.page.roles import Role
from holdstill.workflow.page_files import SHOWN
from support import page_walk
from support.archive_tree import HOSTILE

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from support.keeping import FakeClock
    from support.odd_board import OddBoard
    from support.page import Visited


FIRST, SECOND = "000001-20261125T021503Z", "000002-20261125T021603Z"
HERE, THERE = f"/boards/pier-3/{FIRST}", f"/boards/pier-3/{SECOND}"


def at(path: bytes, page: str = "files", base: str = HERE, **more: bytes) -> str:
    fields = place.asked(part=2, path=path, **more)
    return unescape(f"{base}/{page}?{fields}")


def read(visited: Visited, address: str) -> page_walk.Read:
    answer = visited.client.get(address)
    assert answer.status == 200, f"{address}: {answer.text}"
    assert answer.headers["content-security-policy"] == POLICY
    return page_walk.read(answer.text)


def words(visited: Visited, address: str) -> str:
    return re.sub(r"\s+", " ", " ".join(read(visited, address).words))


def test_a_capture_says_what_it_is(odd: Visited) -> None:
    said = words(odd, THERE)

    for told in (
        "Capture 2 of pier-3", "Taken 2026-11-25 02:16", "Grade point-in-time", "Verified never",
        "Frozen 97 ms", "2 hot rounds", "the boot gap", "xfs",
    ):  # fmt: skip
        assert told in said


def test_a_capture_is_called_by_its_number_on_every_page(odd: Visited) -> None:
    for address in (THERE, f"{THERE}/changes"):
        said = words(odd, address)

        assert re.search(r"\bcapture 2 of pier-3", said, re.IGNORECASE)
        assert SECOND not in said


def test_every_page_that_a_link_leads_to_is_whole(odd: Visited) -> None:
    waiting, known = [HERE], {HERE}
    answers = 0

    while waiting:
        address = waiting.pop()
        answer = odd.client.get(address)
        is_no_picture = "/picture?" in address
        assert answer.status == (404 if is_no_picture else 200), address
        assert answer.headers["x-content-type-options"] == "nosniff"
        if not answer.headers["content-type"].startswith("text/html"):
            assert answer.headers["content-security-policy"] == FILE_POLICY
            assert answer.headers["content-disposition"].startswith("attachment; ")
            assert answer.headers["content-disposition"].isascii()
            continue
        answers += 1
        found = page_walk.read(answer.text)
        if "/many/" in address:  # one of these is like the others
            continue
        for link in map(unescape, found.links):
            is_many = "path=many/" in link and "0007" not in link
            if link not in known and FIRST in link and not is_many:
                known.add(link)
                waiting.append(link)

    assert answers > 4 * len(HOSTILE)


def test_a_folder_tells_all_names_and_no_more(odd: Visited) -> None:
    found = read(odd, at(b"odd"))

    told = [link for link in map(unescape, found.links) if "/files?" in link and "path" in link]
    for name in HOSTILE:
        assert at(b"odd/" + name) in told
        assert printable(name) in "".join(found.words)
    assert "not in the capture: swap" in "".join(found.words)


def test_a_large_folder_comes_in_pages(odd: Visited) -> None:
    address, names = at(b"many"), list[str]()

    for _ in range(3):
        found = read(odd, address)
        names += [word for word in found.words if re.fullmatch(r"\d{4}\.txt", word)]
        (address,) = [unescape(link) for link in found.links if "after=" in link] or [""]

    assert address == ""
    assert names == [f"{number:04}.txt" for number in range(450)]


def test_names_are_searched(odd: Visited) -> None:
    for pattern, count in (
        ("hostname", 1),
        ("0*.txt", 450),
        ("2:/etc/*", 3),
        ("2:/etc/hostname", 1),
        ("2:/many/000[1-4].txt", 4),
        ("*\x1b*", 1),
        ("nothing*", 0),
    ):
        links = _found(odd, pattern)
        assert len(links) == len({*links}) == count, pattern


def _found(visited: Visited, pattern: str) -> list[str]:
    """Search, and look further as long as there is more."""
    page = read(visited, unescape(f"{HERE}/search?{place.asked(name=pattern.encode())}"))
    links = list[str]()
    while True:
        links += [link for link in map(unescape, page.links) if "/files?" in link]
        more = [link for link in map(unescape, page.links) if "/search?" in link]
        if not more:
            return links
        page = read(visited, more[0])


def test_a_search_for_nothing_asks_for_a_name(odd: Visited) -> None:
    assert "Files named" in words(odd, f"{HERE}/search")
    assert odd.client.get(f"{HERE}/search", name="a/b").status == 404


def test_versions_are_told_over_all_captures(odd: Visited) -> None:
    same, changed, gone = (
        words(odd, at(path, "versions")) for path in (b"etc/empty", b"etc/hostname", b"etc/gone")
    )

    assert same.count("file 0644") == 1
    assert changed.count("file 0644") == 2
    assert f"gone in {SECOND}" in gone


def test_a_name_of_wild_characters_has_versions_of_its_own(odd: Visited) -> None:
    said = words(odd, at(b"odd/{{ 7*7 }}", "versions"))

    assert said.count("file 0644") == 1


def test_changes_are_counted_and_listed(odd: Visited) -> None:
    counted = words(odd, f"{HERE}/changes?with={SECOND}")
    listed = words(odd, at(b"", "changes/paths") + f"&with={SECOND}")

    assert f"From {FIRST} to {SECOND}" in counted
    assert " 2: which files - 1 1 1 0 0 " in counted
    assert "2:/etc/gone removed" in listed
    assert "2:/etc/hostname with other content" in listed
    assert "2:/etc/new added" in listed
    assert words(odd, f"{THERE}/changes?with={FIRST}").count(f"From {FIRST} to {SECOND}") == 1


def test_what_changed_leads_to_what_it_became(odd: Visited) -> None:
    address, found = at(b"", "changes/paths") + f"&with={SECOND}", list[str]()

    while address:
        page = read(odd, address)
        found += [link for link in page.links if "/files?" in link]
        (address,) = [unescape(each) for each in page.links if "/changes/paths" in each] or [""]

    assert len(found) == 3  # what is gone is looked at in the older one


ABSENT = (
    "/boards/pier-3/000009-20261125T021503Z",
    "/boards/pier-9/000001-20261125T021503Z",
    "/boards/pier-3/..%2f..",
    f"{HERE}/files",
    f"{HERE}/files?part=x&path=etc",
    f"{HERE}/files?part=99999999999999999999&path=etc",
    f"{HERE}/files?part=999999999999999999&path=etc",
    f"{HERE}/files?part=3&path=etc",
    f"{HERE}/files?part=2&path=../etc",
    f"{HERE}/files?part=2&path=/etc",
    f"{HERE}/files?part=2&path=etc%00",
    f"{HERE}/files?part=2&path.64=%",
    f"{HERE}/files?part=2&path.64=a",
    f"{HERE}/file?part=2&path=etc",
    f"{HERE}/file?part=2&path=odd/pipe",
    f"{HERE}/file?part=2&path=odd/swap",
    f"{HERE}/file?part=2&path=odd/up",
    f"{HERE}/text?part=2&path=odd",
    f"{HERE}/archive?part=2&path=etc&as=rar",
    f"{HERE}/archive?part=2&path=etc/hostname&as=tar",
    f"{HERE}/changes?with={FIRST}",
    f"{HERE}/changes?with=../x",
    f"{HERE}/changes/paths?part=9&path=&with={SECOND}",
)


def test_what_is_not_there_is_told_on_a_page(odd: Visited) -> None:
    for address in ABSENT:
        answer = odd.client.get(address)

        assert answer.status == 404, address
        page_walk.read(answer.text)


def test_who_may_look_gets_names_and_no_contents(odd: Visited) -> None:
    odd.enter(Role.LOOK)

    for page in ("text", "picture", "picture/bytes", "file"):
        assert odd.client.get(at(b"etc/hostname", page)).status == 403
        assert all(f"/{page}?" not in link for link in read(odd, at(b"etc/hostname")).links)
    assert odd.client.get(at(b"etc", "archive")).status == 403
    assert all("/archive?" not in link for link in read(odd, at(b"etc")).links)


def test_files_of_an_altered_capture_are_refused(odd: Visited, store: Store) -> None:
    manifest = store.root / "boards/pier-3/captures" / FIRST / "manifest.yaml"
    manifest.write_bytes(manifest.read_bytes().replace(b"64", b"65", 1))

    assert "bad checksum" in words(odd, HERE)
    for page in ("files", "file", "text", "archive", "versions"):
        answer = odd.client.get(at(b"etc", page) + "&as=tar")
        assert answer.status == 500
        assert "bad checksum" in answer.text


def test_a_manifest_that_cannot_be_read_is_told(odd: Visited, store: Store) -> None:
    manifest = store.root / "boards/pier-3/captures" / FIRST / "manifest.yaml"
    manifest.write_bytes(b"<script>: [")

    said = words(odd, HERE)

    assert "manifest of pier-3" in said
    assert "Partitions" not in said


def test_an_index_that_is_gone_is_told(odd: Visited, store: Store) -> None:
    for piece in (store.root / "content").glob("*/*"):
        piece.unlink()

    answer = odd.client.get(at(b"etc"))

    assert answer.status == 500
    page_walk.read(answer.text)


@pytest.mark.parametrize(
    "path", [b"", b"etc/x", b"\xff", b"a b", "\u00e9".encode(), b"%2e", b"\n"]
)
def test_a_place_stands_in_an_address_as_it_is(path: bytes) -> None:
    query = dict(part.split("=") for part in unescape(Place(7, path).query).split("&"))

    assert Place.of_query(query) == Place(7, path)


def test_a_pattern_that_would_take_long_to_be_understood_is_refused(odd: Visited) -> None:
    assert odd.client.get(f"{HERE}/search", name="[!a]" * 250).status == 200

    assert odd.client.get(f"{HERE}/search", name="[!a]" * 251).status == 404


def test_who_may_look_learns_no_digest_by_which_contents_could_be_guessed(odd: Visited) -> None:
    addresses = [at(b"etc/hostname", page) for page in ("files", "versions")]
    odd.enter(Role.LOOK)
    answers = [odd.client.get(address).text for address in addresses]

    assert not any(re.search(r"[0-9a-f]{16}", page_walk_text(text)) for text in answers)
    odd.enter(Role.FILES)
    answers = [odd.client.get(address).text for address in addresses]
    assert all(re.search(r"[0-9a-f]{16}", page_walk_text(text)) for text in answers)


def page_walk_text(text: str) -> str:
    return " ".join(page_walk.read(text).words)


@pytest.mark.parametrize("page", ["files?part=2&path=many", "search?name=*.txt"])
def test_long_attributes_of_many_files_take_little_memory(
    odd: Visited, board: OddBoard, clock: FakeClock, page: str
) -> None:
    long = {f"user.{number}": b"" for number in range(5000)}
    board.attributes = {b"many/%04d.txt" % number: long for number in range(SHOWN)}
    clock.advance(60)
    name = board.capture().name
    place = f"/boards/pier-3/{name}/{page}"
    odd.text(place)  # the index is at hand

    tracemalloc.start()
    try:
        answer = odd.client.get(place)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert "0100.txt" in answer.text
    assert peak < 16 << 20


def test_of_very_many_changed_packages_some_are_shown_and_all_counted(
    odd: Visited, board: OddBoard, clock: FakeClock
) -> None:
    board.top = "/"
    names = []
    for kind in (b"old", b"new"):
        paragraph = b"Package: %s%d\nStatus: install ok installed\nVersion: 1\n\n"
        listed = b"".join(paragraph % (kind, number) for number in range(3000))
        board.files[b"var/lib/dpkg/status"] = listed
        clock.advance(60)
        names.append(board.capture().name)

    found = read(odd, f"/boards/pier-3/{names[1]}/changes?with={names[0]}")

    said = " ".join(found.words)
    assert "6,000 packages changed" in said
    assert "5,500 packages more" in said
    assert said.count("to gone") + said.count("not there to") == 500
