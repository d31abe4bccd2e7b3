from __future__ import annotations

import html
import re
from typing import TYPE_CHECKING, Literal

import pytest

from holdstill.page import application, guess_limit, links, sessions
from holdstill.page.guard import HEADERS
from holdstill.page.roles import Role
from holdstill.page.sessions import Sessions
from support import page as pages
from support.page import HERE, Visited

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from support.keeping import FakeClock


@pytest.fixture
def visited(store: Store, tmp_path: Path, clock: FakeClock) -> Iterator[Visited]:
    with pages.opened(store, tmp_path, clock=clock) as page:
        yield page


def test_a_link_lets_one_browser_in(visited: Visited) -> None:
    assert visited.client.get("/").status == 403

    visited.enter()

    assert "pier-3" in visited.client.get("/").text


def test_looking_at_a_link_does_not_use_it_up(visited: Visited) -> None:
    token = visited.links.make(Role.LOOK)
    shown = visited.client.get("/enter", link=token)
    (hidden,) = re.findall(r'name="link" value="([^"]+)"', shown.text)

    assert visited.post("/enter", link=hidden).status == 303


def test_the_cookie_is_for_this_page_alone(visited: Visited) -> None:
    entered = visited.post("/enter", link=visited.links.make(Role.LOOK))

    # RFC 6265bis, 4.1.2: no script reads it, and no other site has it sent.
    words = {word.strip().lower() for word in entered.headers["set-cookie"].split(";")[1:]}
    assert words == {"httponly", "path=/", "samesite=strict"}
    assert entered.headers["location"] == "/"


def test_behind_tls_the_cookie_goes_by_nothing_else(
    store: Store, tmp_path: Path, clock: FakeClock
) -> None:
    public = "https://boathouse.example"

    with pages.opened(store, tmp_path, clock=clock, public=public) as visited:
        token = visited.links.make(Role.LOOK)
        entered = visited.post("/enter", origin=public, link=token)

    # RFC 6265bis, 4.1.3.2: __Host- wants Secure, Path=/ and no Domain.
    assert entered.headers["set-cookie"].startswith("__Host-holdstill=")
    assert "secure" in entered.headers["set-cookie"].lower()
    assert "domain" not in entered.headers["set-cookie"].lower()


def test_a_replayed_link_is_refused(visited: Visited) -> None:
    token = visited.links.make(Role.LOOK)

    assert visited.post("/enter", link=token).status == 303
    assert visited.post("/enter", link=token).status == 403


def test_an_old_link_is_refused_and_removed(visited: Visited, clock: FakeClock) -> None:
    token = visited.links.make(Role.LOOK)

    clock.advance(links.LASTS)

    assert visited.post("/enter", link=token).status == 403
    assert list(visited.links.folder.iterdir()) == []


def test_where_links_are_kept_nobody_finds_one(visited: Visited) -> None:
    token = visited.links.make(Role.LOOK)

    (kept,) = visited.links.folder.iterdir()

    assert token not in kept.name
    assert token.encode() not in kept.read_bytes()
    assert kept.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("token", ["../../store.yaml", "", "\0", "é" * 300, "a" * 60_000])
def test_what_is_no_link_is_refused(visited: Visited, token: str) -> None:
    assert visited.post("/enter", link=token).status == 403


def test_a_stolen_cookie_is_of_no_use_after_leaving(visited: Visited) -> None:
    stolen = visited.enter()

    assert visited.post("/leave").status == 200
    again = visited.client.get("/", headers={"Cookie": f"holdstill={stolen}"})

    assert again.status == 403


def test_a_session_ends_by_itself(visited: Visited, clock: FakeClock) -> None:
    visited.enter()

    clock.advance(sessions.LASTS)

    assert visited.client.get("/").status == 403


def test_of_very_many_sessions_the_oldest_ends(clock: FakeClock) -> None:
    held = Sessions(clock)
    tokens = [held.begin(Role.LOOK) for _ in range(sessions.MOST + 1)]

    assert held.find(tokens[0]) is None
    assert held.find(tokens[1]) is not None


def test_ten_thousand_guesses_find_nothing_and_shut_nobody_out(visited: Visited) -> None:
    good = visited.links.make(Role.LOOK)

    found = [visited.post("/enter", link=sessions.new_token()).status for _ in range(5000)]
    for _ in range(5000):
        cookie = {"Cookie": f"holdstill={sessions.new_token()}"}
        found.append(visited.client.get("/", headers=cookie).status)

    assert found == [403] * guess_limit.MOST + [429] * (10_000 - guess_limit.MOST)
    assert visited.post("/enter", link=good).status == 303


def test_after_a_minute_guesses_are_answered_again(visited: Visited, clock: FakeClock) -> None:
    for _ in range(guess_limit.MOST):
        visited.client.get("/")
    assert visited.client.get("/").status == 429

    clock.advance(guess_limit.SECONDS)

    assert visited.client.get("/").status == 403


@pytest.mark.parametrize(
    "host",
    [
        "attacker.example", "localhost.attacker.example", "attacker.example:8642", "",
        "192.0.2.7", "127.0.0.1.attacker.example", "localhost@attacker.example",
        "attacker.example#localhost", "[::2]", "localhost:port", "boathouse", "localhost/evil",
        "localhost?x", "localhost:", "localhost\t", "localhost:8642 ", "localhost:99999",
    ],
)  # fmt: skip
def test_another_host_is_refused_even_with_a_session(visited: Visited, host: str) -> None:
    # DNS rebinding: a foreign name that leads to this machine's loopback address.
    visited.enter()

    refused = visited.client.get("/", headers={"Host": host})

    assert refused.status == 421
    assert "pier-3" not in refused.text


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "[::1]", "localhost:9000"])
def test_a_tunnel_may_end_at_any_port(visited: Visited, host: str) -> None:
    visited.enter()

    assert visited.client.get("/", headers={"Host": host}).status != 421


@pytest.mark.parametrize(
    "origin",
    [
        None, "null", "", "http://attacker.example", "http://localhost:9999", "http://localhost",
        "https://localhost:8642", "http://localhost:8642.attacker.example", f"{HERE}/",
    ],
)  # fmt: skip
def test_a_foreign_form_is_refused(visited: Visited, origin: str | None) -> None:
    token = visited.links.make(Role.LOOK)

    assert visited.post("/enter", origin, link=token).status == 403
    assert visited.post("/enter", link=token).status == 303  # it was not used up


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(visited: Visited, method: str) -> None:
    assert visited.client.ask(method, "/").status == 405


def test_a_form_that_is_too_large_is_refused(visited: Visited) -> None:
    visited.enter()

    assert visited.post("/leave", more="x" * 70_000).status == 413


@pytest.mark.parametrize(
    ("path", "host"),
    [("/", "localhost"), ("/", "attacker.example"), ("/no/such/page", "localhost"),
     ("/boards/none", "localhost"), ("/enter", "localhost"), ("/styles/x.css", "localhost")],
)  # fmt: skip
def test_every_answer_has_the_headers(visited: Visited, path: str, host: str) -> None:
    visited.enter()

    answer = visited.client.get(path, headers={"Host": host})

    assert {name: answer.headers.get(name.lower()) for name in HEADERS} == HEADERS
    assert answer.headers["cache-control"] == (
        "public, max-age=31536000, immutable" if "styles" in path else "no-store"
    )


def test_no_page_asks_for_a_script_or_for_anything_elsewhere(visited: Visited) -> None:
    visited.enter()

    for path in ("/", "/boards/pier-3", "/enter", "/none"):
        text = visited.client.get(path).text
        assert not re.search(r"<script|\son\w+=|style=|https?://(?!www\.w3\.org)", text), path


def test_a_proxy_with_a_login_lets_people_in(
    store: Store, tmp_path: Path, clock: FakeClock
) -> None:
    public = "https://boathouse.example"
    with pages.opened(store, tmp_path, clock=clock, public=public, let_in=Role.LOOK) as visited:
        shown = visited.client.get("/")
        elsewhere = visited.client.get("/", headers={"Host": "localhost"})

    assert shown.status == 200
    assert "/leave" not in shown.text  # leaving is the proxy's
    assert elsewhere.status == 421


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
@pytest.mark.parametrize("path", ["/", "/boards/pier-3", "/boards/pier-3/x/archive?part=2&as=zip"])
def test_what_another_site_asks_of_somebody_whom_a_proxy_lets_in_is_not_done(
    store: Store, tmp_path: Path, clock: FakeClock, site: str, path: str
) -> None:
    # W3C, Fetch Metadata Request Headers, 2.4: what a browser says of who asks.
    public = "https://boathouse.example"
    with pages.opened(store, tmp_path, clock=clock, public=public, let_in=Role.IMAGES) as visited:
        led = visited.client.get(path, headers={"Sec-Fetch-Site": site})
        own = visited.client.get(path, headers={"Sec-Fetch-Site": "same-origin"})

    assert led.status == 403
    assert "pier-3" not in led.text.replace(html.escape(path), "")
    assert f'<a href="{html.escape(path)}">go on</a>' in led.text
    assert "go on" not in own.text


@pytest.mark.parametrize("path", ["//attacker.example/x", "/\\attacker.example", "///a.example"])
def test_the_way_on_from_another_site_leads_to_no_third_one(
    store: Store, tmp_path: Path, clock: FakeClock, path: str
) -> None:
    # URL Standard (WHATWG), 4.4: what begins with two slashes, either way, names another host.
    public = "https://boathouse.example"
    with pages.opened(store, tmp_path, clock=clock, public=public, let_in=Role.LOOK) as visited:
        led = visited.client.get(path, headers={"Sec-Fetch-Site": "cross-site"})

    assert led.status in {400, 404}
    assert "go on" not in led.text


def test_a_request_with_two_lengths_is_refused_and_its_connection_ends(visited: Visited) -> None:
    both = {"Content-Length": "3", "Transfer-Encoding": "chunked"}

    answer = visited.client.ask("POST", "/enter", headers=both)

    # RFC 9112, 6.1: whatever is answered, the connection is closed behind it.
    assert (answer.status, answer.headers["connection"]) == (400, "close")


@pytest.mark.parametrize("end", ["waits", "leaves"])
def test_a_form_that_does_not_end_is_given_up_quietly(
    visited: Visited, end: Literal["waits", "leaves"], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(application, "FORM_WAIT", 0.05)
    visited.enter()

    answer = visited.client.ask("POST", "/leave", headers={"Origin": HERE}, body=b"half", end=end)

    assert answer.status == 408
    assert visited.client.get("/").status == 200


def test_a_fault_of_ours_is_told_without_its_inside(
    visited: Visited, store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    visited.enter()
    store.__dict__["board_folders"] = None

    answer = visited.client.get("/")

    assert answer.status == 500
    assert "fault of holdstill itself" in answer.text
    assert "Traceback" not in answer.text
    assert "not callable" in caplog.text


def test_a_form_of_too_many_fields_is_told_so(visited: Visited) -> None:
    answer = visited.post("/enter", **{f"field{number}": "x" for number in range(201)})

    assert answer.status in {403, 413}
    assert "Traceback" not in answer.text


def test_an_address_with_a_slash_behind_it_leads_a_link_nowhere_else(visited: Visited) -> None:
    answer = visited.client.get("/enter/", link=visited.links.make(Role.LOOK))

    assert answer.status in {403, 404}
    assert "location" not in answer.headers


@pytest.mark.parametrize("name", ["9" * 5000, "x" * 256])
def test_a_name_that_no_capture_has_is_not_there(visited: Visited, name: str) -> None:
    visited.enter()

    assert visited.client.get(f"/boards/pier-3/{name}").status == 404
    assert visited.client.get(f"/boards/{name}").status == 404
