"""compare on real captures, and on the board while it runs."""

import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from support import boards, forked_commands
from support.boards import Board, Kept
from support.command_line import holdstill

pytestmark = pytest.mark.timeout(120)
FORM = "Package: gauge\nStatus: install ok installed\nArchitecture: arm64\nVersion: {}\n"


@pytest.fixture(scope="module")
def captured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Board, Kept]]:
    """A board that was captured, changed, captured again, and changed once more."""
    folder = tmp_path_factory.mktemp("compare")
    with boards.running(folder) as board, boards.kept(folder, board) as kept:
        first(board.root)
        boards.holdstill("capture", "--settings", kept.settings)
        second(board.root)
        boards.holdstill("capture", "--settings", kept.settings)
        (board.root / "etc/hostname").write_text("pier-9\n", encoding="ascii")
        os.utime(board.root / "kept", ns=(0, 5_000_000_000))
        yield board, kept


def first(root: Path) -> None:
    (root / "var/lib/dpkg").mkdir(parents=True)
    (root / "var/lib/dpkg/status").write_text(FORM.format("1.0"), encoding="ascii")
    (root / "etc/hostname").write_text("pier-3\n", encoding="ascii")
    for name in ("kept", "goes", "mode", "touched"):
        (root / name).write_bytes(name.encode() * 100)


def second(root: Path) -> None:
    (root / "var/lib/dpkg/status").write_text(FORM.format("1.1"), encoding="ascii")
    (root / "goes").unlink()
    (root / "mode").chmod(0o4711)
    os.utime(root / "touched", ns=(0, 7))
    (root / "comes").symlink_to("kept")


def changes(*words: object) -> dict[str, str]:
    said = json.loads(holdstill("compare", *words, "--json"))
    return {c["path"]: c["kind"] for part in said["parts"] for c in part["changes"]}


def test_what_happened_between_two_captures_is_told_and_nothing_else(
    captured: tuple[Board, Kept],
) -> None:
    _, kept = captured

    said = json.loads(
        holdstill("compare", "pier-3/1", "pier-3/2", "--store", kept.store, "--json")
    )
    text = holdstill("compare", "pier-3/1", "--store", kept.store).decode()

    assert {c["path"]: c["kind"] for part in said["parts"] for c in part["changes"]} == {
        "/comes": "added",
        "/goes": "removed",
        "/mode": "metadata",
        "/var/lib/dpkg/status": "content",
    }
    assert said["card"] == []
    assert said["packages"] == [{"name": "gauge:arm64", "before": "1.0", "after": "1.1"}]
    assert "gauge:arm64  1.0 -> 1.1" in text
    assert "+ /comes" in text


def test_a_store_behind_ssh_tells_the_same_as_one_at_hand(captured: tuple[Board, Kept]) -> None:
    _, kept = captured
    server = kept.server
    far = (
        "--store", f"ssh://{server.user}@{server.host}:{server.port}",
        "--key", kept.settings.parent / "board_key", "--host-keys", server.known_hosts,
    )  # fmt: skip

    here = holdstill("compare", "pier-3/1", "pier-3/2", "--json", "--store", kept.store)
    there = holdstill("compare", "pier-3/1", "pier-3/2", "--json", *far)

    assert json.loads(there) == json.loads(here)


def test_times_are_told_when_asked_for(captured: tuple[Board, Kept]) -> None:
    _, kept = captured

    found = changes("pier-3/1", "pier-3/2", "--times", "--store", kept.store)

    assert found["/touched"] == "time"


@pytest.mark.parametrize("how", ["store", "memory"])
def test_the_running_board_is_compared_with_a_capture_and_with_its_own_memory(
    captured: tuple[Board, Kept], how: str
) -> None:
    _, kept = captured
    named = ("pier-3/2", "--store", kept.store) if how == "store" else ()

    found = changes("--live", "--settings", kept.settings, *named)

    assert found == {"/etc/hostname": "content"}


def test_an_old_capture_differs_from_the_running_board_by_both_changes(
    captured: tuple[Board, Kept],
) -> None:
    _, kept = captured

    words = ("pier-3/1", "--live", "--settings", kept.settings, "--store", kept.store)
    found = changes(*words)
    said = json.loads(holdstill("compare", *words, "--json"))

    assert set(found) == {"/comes", "/goes", "/mode", "/var/lib/dpkg/status", "/etc/hostname"}
    assert said["packages"] == [{"name": "gauge:arm64", "before": "1.0", "after": "1.1"}]


def test_a_capture_does_not_differ_from_itself(captured: tuple[Board, Kept]) -> None:
    _, kept = captured

    said = holdstill("compare", "pier-3/2", "pier-3/2", "--store", kept.store).decode()

    assert "nothing differs" in said


def test_the_newest_capture_alone_is_not_compared_with_itself(
    captured: tuple[Board, Kept],
) -> None:
    _, kept = captured

    for given in ("pier-3", "pier-3/2", "pier-3/latest"):
        done = forked_commands.attempt(["compare", given, "--store", str(kept.store)], timeout=60)

        assert done.returncode == 2
        assert b"would be compared with itself" in done.stderr
        assert b"`holdstill compare pier-3/N`" in done.stderr
