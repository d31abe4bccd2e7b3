"""Images made by the keeper's page, of a real capture: ordered, watched, taken away, and equal."""

from __future__ import annotations

import hashlib
import re
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError
from holdstill.keeper import store as stores
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.page.roles import Role
from holdstill.system.process import LocalRunner
from support import command_line, page_jobs, plain_board, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.page import Visited

pytestmark = pytest.mark.timeout(300)
UNPACK = {
    ".img": ("cat",),
    ".img.zst": ("zstd", "--decompress", "--stdout"),
    ".img.xz": ("xz", "--decompress", "--stdout"),
    ".img.zip": ("unzip", "-p"),
}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plain_board.captured(tmp_path_factory.mktemp("plain")).store


@pytest.fixture(scope="module")
def capture(store: Path) -> str:
    board = names.check_board("pier-3")
    (brief,) = BoardCaptures(stores.open_store(store), board, LocalRunner()).briefs()
    return f"pier-3/{brief.name}"


@pytest.fixture
def visit(store: Path, tmp_path: Path) -> Iterator[Visited]:
    with page_jobs.visited(store, tmp_path) as found:
        yield found


def left(folder: Path) -> list[str]:
    """Return what is in the folders of jobs, but for what a page keeps of them."""
    kept = {"order.json", "status.json", "progress.json", "outcome.json", "log", "console"}
    return sorted(each.name for each in (folder / "work").glob("*/*") if each.name not in kept)


@pytest.mark.parametrize("packing", UNPACK)
def test_an_image_holds_what_was_captured_and_its_checksum_is_right(
    visit: Visited, capture: str, store: Path, tmp_path: Path, packing: str
) -> None:
    shown = page_jobs.ended(visit, page_jobs.ordered(visit, capture, format=packing))
    image, checksum = page_jobs.links(shown)

    name = image.rpartition("/")[2]
    assert name == f"pier-3-000001{packing}"
    assert left(tmp_path) == [name]
    answer = visit.client.get(image)
    (tmp_path / name).write_bytes(answer.body)
    (tmp_path / f"{name}.sha256").write_bytes(visit.client.get(checksum).body)
    # GNU coreutils is the judge of what its own option takes.
    programs.run(
        "env", f"--chdir={tmp_path}", "sha256sum", "--check", "--strict", f"{name}.sha256"
    )
    assert hashlib.sha256(answer.body).hexdigest() in shown
    card = tmp_path / "card"
    card.write_bytes(programs.run(*UNPACK[packing], tmp_path / name))
    assert card.stat().st_size == plain_board.SIZE
    command_line.holdstill("verify", capture, "--card", card, "--store", store, accepted=[0])


def test_a_broken_download_is_gone_on_with(visit: Visited, capture: str) -> None:
    (image, _) = page_jobs.links(page_jobs.ended(visit, page_jobs.ordered(visit, capture)))
    whole = visit.client.get(image)

    rest = visit.client.get(image, {"Range": "bytes=1000000-", "If-Range": whole.headers["etag"]})
    head = visit.client.ask("HEAD", image)

    assert rest.status == 206
    assert (
        rest.headers["content-range"] == f"bytes 1000000-{plain_board.SIZE - 1}/{plain_board.SIZE}"
    )
    assert whole.body[1000000:] == rest.body
    assert (head.status, head.body) == (200, b"")
    assert head.headers["content-length"] == str(plain_board.SIZE)


def test_a_sibling_has_another_name(visit: Visited, capture: str, store: Path) -> None:
    job = page_jobs.ordered(visit, capture, identity="sibling", name="pier-4", format=".img.zst")

    shown = page_jobs.ended(visit, job)

    assert "pier-4-from-pier-3-000001.img.zst" in shown
    assert "never run both at once" not in shown
    assert "hostname" in shown


def test_the_smallest_size_that_is_told_is_taken_and_one_less_is_not(
    visit: Visited, capture: str
) -> None:
    text = page_jobs.form(visit, capture)
    smallest = int(re.findall(r'name="size" value="([0-9]+)"', text)[-1])

    refused = visit.post(
        f"/boards/{capture}/image",
        size=str(smallest - 512), format=".img", identity="replacement",
    )  # fmt: skip
    shown = page_jobs.ended(visit, page_jobs.ordered(visit, capture, size=str(smallest)))

    assert refused.status == 400
    assert "the smallest that fits has" in refused.text
    assert f"({smallest} bytes)" in shown


def test_one_is_made_at_a_time_and_both_are(visit: Visited, capture: str) -> None:
    first = page_jobs.ordered(visit, capture, format=".img.xz")
    second = page_jobs.ordered(visit, capture, format=".img.zst")

    assert "1 job before it" in visit.client.get(second).text
    for job in (first, second):
        assert "sha256sum -c" in page_jobs.ended(visit, job)
    sums = re.findall(r"<code>([0-9a-f]{64})</code>", visit.client.get("/images").text)
    assert len(set(sums)) == 2


def test_a_cancelled_job_leaves_nothing_and_can_be_done_again(
    visit: Visited, capture: str, tmp_path: Path
) -> None:
    job = page_jobs.ordered(visit, capture, format=".img.xz")
    page_jobs.until(lambda: "step " in visit.client.get(job).text)

    visit.post(f"{job}/cancel")
    shown = page_jobs.ended(visit, job)

    assert "cancelled" in shown
    assert left(tmp_path) == []
    visit.post(f"{job}/again")
    assert "sha256sum -c" in page_jobs.ended(visit, job)


def test_a_board_that_is_not_there_is_told_in_the_form(visit: Visited) -> None:
    text = page_jobs.form(visit, "pier-9/000001-20261125T021503Z")

    assert "pier-9" in text
    assert "Make the image" not in text


@pytest.mark.parametrize("role", [Role.LOOK, Role.FILES])
def test_who_may_not_make_images_sees_none(
    store: Path, capture: str, tmp_path: Path, role: Role
) -> None:
    with page_jobs.visited(store, tmp_path, role=role) as visit:
        asked = [
            visit.client.get(path).status
            for path in ("/images", f"/boards/{capture}/image", f"/boards/{capture}/rehearsal",
                         "/images/0123456789abcdef", "/images/0123456789abcdef/card.img")
        ]  # fmt: skip
        sent = [
            visit.post(path, size="160M").status
            for path in (f"/boards/{capture}/image", f"/boards/{capture}/rehearsal",
                         "/images/0123456789abcdef/cancel", "/images/0123456789abcdef/again",
                         "/images/0123456789abcdef/remove")
        ]  # fmt: skip

    assert {*asked, *sent} == {403}
    assert list((tmp_path / "work").iterdir()) == []


def test_two_pages_do_not_share_a_folder(visit: Visited, store: Path, tmp_path: Path) -> None:
    del visit
    with pytest.raises(BusyError, match="another page"), page_jobs.visited(store, tmp_path):
        pass
