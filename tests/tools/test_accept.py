"""What the owner says of a board whose captures are damaged, gone, or not in the ledger."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import MachineError, SecurityError, UsageError, VerificationError
from holdstill.keeper import store as stores
from holdstill.model import names
from support import command_line, plain_board
from support.command_line import holdstill

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.plain_board import PlainCapture

SUSPICIOUS, BAD = SecurityError.exit_code, VerificationError.exit_code


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> PlainCapture:
    return plain_board.captured(tmp_path_factory.mktemp("plain"))


@pytest.fixture
def store(kept: PlainCapture, tmp_path: Path) -> Path:
    """A copy of a store with one capture."""
    return Path(shutil.copytree(kept.store, tmp_path / "boathouse"))


def accepted(store: Path, *words: str, ends: int = 0) -> str:
    told = ("keeper", "accept", store, "pier-3", "--reason", "tried", *words)
    return holdstill(*told, accepted=[ends]).decode()


def thinned(store: Path, *, ends: int = 0) -> str:
    return holdstill("thin", "--apply", "--store", store, accepted=[ends]).decode()


def listed(store: Path) -> list[dict[str, object]]:
    found = json.loads(holdstill("list", "--store", store, "--json"))["boards"]["pier-3"]
    assert isinstance(found, list)
    return found


def cut_manifest(store: Path) -> None:
    (manifest,) = store.glob("boards/pier-3/captures/*/manifest.yaml")
    manifest.chmod(0o600)
    manifest.write_bytes(manifest.read_bytes()[:40])


def lose_capture(store: Path) -> None:
    (folder,) = store.glob("boards/pier-3/captures/*")
    shutil.rmtree(folder)


def lose_capture_and_ledger(store: Path) -> None:
    lose_capture(store)
    (store / "boards/pier-3/ledger.jsonl").unlink()


def lose_all_that_remembers(store: Path) -> None:
    thinned(store)  # a night, after which boards.txt knows how far the board had come
    lose_capture_and_ledger(store)
    (store / "references.sqlite").unlink()


@pytest.mark.parametrize(
    ("spoil", "thin_ends", "word"),
    [
        (cut_manifest, SUSPICIOUS, ("--forget", "1")),
        (lose_capture, BAD, ("--forget-missing",)),
        (lose_capture_and_ledger, BAD, ("--forget-missing",)),
        (lose_all_that_remembers, BAD, ("--forget-missing",)),
    ],
)
def test_nothing_is_deleted_until_the_owner_gives_it_up(
    store: Path, spoil: Callable[[Path], None], thin_ends: int, word: tuple[str, ...]
) -> None:
    spoil(store)
    before = sorted(store.glob("content/*/*"))

    for deed in ("thin", "recount", "thin"):
        if deed == "thin":
            assert "what to do: " in thinned(store, ends=thin_ends)
        else:
            holdstill("keeper", "recount", store, accepted=[BAD])
    assert holdstill("verify", "--store", store, accepted=[BAD])
    accepted(store)
    assert sorted(store.glob("content/*/*")) == before

    accepted(store, *word)

    assert listed(store) == []
    assert "went to the trash, for 3 days" in thinned(store)
    holdstill("verify", "--store", store)


def test_what_rests_in_the_trash_is_not_given_up(store: Path, tmp_path: Path) -> None:
    folder = store / "boards/pier-3"
    folder.rename(tmp_path / "aside")
    accepted(store)
    assert "went to the trash" in thinned(store)
    (tmp_path / "aside").rename(folder)
    assert "its index" in str(listed(store)[0]["faults"])
    assert b"keeper recount STORE` takes back" in holdstill(
        "verify", "--store", store, accepted=[BAD]
    )

    accepted(store, "--forget-missing")

    assert [brief["faults"] for brief in listed(store)] == [[]]
    holdstill("verify", "--store", store)


def test_a_reason_that_says_nothing_changes_nothing(store: Path) -> None:
    (store / "boards/pier-3/ledger.jsonl").unlink()

    holdstill(
        "keeper", "accept", store, "pier-3", "--reason", " ", accepted=[UsageError.exit_code]
    )

    assert not (store / "boards/pier-3/ledger.jsonl").exists()


@pytest.mark.parametrize("spoilt", ["AAAA!3NzaC1lZDI1NTE5", "AAAAC3NzaC1lZDI1NTE6"])
def test_a_key_that_was_damaged_is_told_as_that_and_blames_no_capture(
    store: Path, spoilt: str
) -> None:
    enrolment, public = store / "boards/pier-3/enrolment.yaml", store.parent / "key.pub"
    text = enrolment.read_text(encoding="utf-8")
    public.write_text(text[text.index("ssh-ed25519") :].partition("\n")[0] + "\n", "utf-8")
    enrolment.write_text(text.replace("AAAAC3NzaC1lZDI1NTE5", spoilt), "utf-8")
    words = ("keeper", "enrol", store, "pier-3", "--key", public)

    told = command_line.attempt("verify", "--store", store)
    holdstill(*words, accepted=[UsageError.exit_code])
    holdstill("keeper", "retire", store, "pier-3", accepted=[UsageError.exit_code])
    enrolment.unlink()
    holdstill(*words)

    assert told.returncode == BAD
    assert b"its fingerprint is another one" in told.stderr
    assert b"or move it away, and enrol the board again with its own key" in told.stderr
    assert b"TRUSTWORTHY" not in told.stdout
    assert [brief["faults"] for brief in listed(store)] == [[]]


@pytest.mark.parametrize("word", [("--forget-missing",), ("--forget", "1")])
def test_what_cannot_be_taken_back_from_the_trash_is_not_given_up(
    store: Path, tmp_path: Path, word: tuple[str, ...]
) -> None:
    folder = store / "boards/pier-3"
    folder.rename(tmp_path / "aside")
    accepted(store)
    thinned(store)
    (tmp_path / "aside").rename(folder)
    (brief,) = listed(store)
    index = Path(store, "content", str(brief["index"])[:2])
    shutil.rmtree(index)
    index.write_bytes(b"in the way")

    accepted(store, *word, ends=MachineError.exit_code)

    index.unlink()
    accepted(store, "--forget-missing")
    assert [brief["faults"] for brief in listed(store)] == [[]]
    holdstill("verify", "--store", store)


def test_what_is_taken_in_has_its_contents_back_from_the_trash(
    store: Path, tmp_path: Path
) -> None:
    (folder,) = store.glob("boards/pier-3/captures/*")
    folder.rename(tmp_path / "aside")
    accepted(store, "--forget-missing")
    thinned(store)
    (tmp_path / "aside").rename(folder)

    accepted(store)

    holdstill("verify", "--store", store)


def test_a_good_capture_is_not_given_up_by_this_command(store: Path) -> None:
    accepted(store, "--forget", "1", ends=UsageError.exit_code)

    assert [brief["faults"] for brief in listed(store)] == [[]]


def test_a_ledger_that_is_lost_is_made_again_of_what_the_board_signed(store: Path) -> None:
    before = listed(store)
    (store / "boards/pier-3/ledger.jsonl").unlink()
    thinned(store, ends=SUSPICIOUS)

    said = accepted(store)

    assert "1 capture taken in, and pinned" in said
    assert "`holdstill unpin pier-3/NUMBER`" in said
    assert [brief["pinned"] for brief in listed(store)] == [True]
    assert [brief["manifest"] for brief in listed(store)] == [
        brief["manifest"] for brief in before
    ]
    thinned(store)
    holdstill("verify", "--store", store)


@pytest.mark.parametrize("lose", [Path.unlink, lambda path: path.write_bytes(b"")])
def test_who_meets_a_lost_ledger_is_told_to_accept_it_and_first_without_forgetting(
    store: Path, lose: Callable[[Path], object]
) -> None:
    lose(store / "boards/pier-3/ledger.jsonl")
    way = f"`holdstill keeper accept {store} pier-3 --reason ...` takes in what the board signed"

    pinned = command_line.attempt("pin", "pier-3/1", "--store", store)
    verified = command_line.attempt("verify", "--store", store)
    stores.open_store(store).known_boards.note(names.check_board("pier-3"), 1)  # as thinning does
    again = command_line.attempt("verify", "--store", store)

    general = "`holdstill keeper accept STORE BOARD --reason ...` takes in what its board signed"
    for done, told in ((pinned, way), (verified, general), (again, way)):
        said = " ".join((done.stdout + done.stderr).decode().split())
        assert done.returncode not in {0, 70}
        assert told in said
        assert "--forget-missing" not in said[: said.index(told)]
    accepted(store)
    assert command_line.attempt("pin", "pier-3/1", "--store", store).returncode == 0


def test_a_capture_that_only_the_ledger_is_wrong_with_is_not_given_up(store: Path) -> None:
    ledger = store / "boards/pier-3/ledger.jsonl"
    ledger.write_bytes(ledger.read_bytes().replace(b'"number":1,', b'"number":7,'))
    assert listed(store)[0]["faults"] != []

    accepted(store, "--forget", "1", ends=UsageError.exit_code)

    assert [brief["faults"] for brief in listed(store)] == [[]]
    holdstill("verify", "--store", store)


def test_a_capture_that_cannot_be_read_at_the_moment_is_not_given_up(store: Path) -> None:
    (manifest,) = store.glob("boards/pier-3/captures/*/manifest.yaml")
    manifest.rename(store / "aside")
    manifest.mkdir()

    accepted(store, "--forget", "1", ends=MachineError.exit_code)

    manifest.rmdir()
    (store / "aside").rename(manifest)
    assert [brief["faults"] for brief in listed(store)] == [[]]


@pytest.mark.parametrize("word", [(), ("--forget-missing",)])
def test_references_that_are_no_database_are_made_again_by_the_way(
    store: Path, word: tuple[str, ...]
) -> None:
    (store / "boards/pier-3/ledger.jsonl").unlink()
    (store / "references.sqlite").write_bytes(b"no database" * 1000)

    accepted(store, *word)

    assert [brief["faults"] for brief in listed(store)] == [[]]
    holdstill("verify", "--store", store)


def test_the_store_of_thin_is_that_of_the_settings_it_is_given(
    store: Path, kept: PlainCapture, tmp_path: Path
) -> None:
    settings = tmp_path / "second.yaml"
    settings.write_text(f"store: {store}\nretention: {{at_least: 5}}\n", encoding="utf-8")
    (store / "boards/pier-3/captures").rename(tmp_path / "aside")
    (store / "boards/pier-3/captures").mkdir()

    holdstill("thin", "--settings", settings, accepted=[BAD])
    holdstill("thin", "--settings", tmp_path / "third.yaml", accepted=[UsageError.exit_code])
    holdstill("thin", "--settings", settings, "--store", kept.store)


def test_the_page_for_the_day_without_this_program_is_written_again(store: Path) -> None:
    page = store / "READ-ME-FIRST.txt"
    before = page.read_bytes()
    page.write_bytes(before[:100])

    told = holdstill("verify", "--store", store, accepted=[8]).decode()
    thinned(store)

    assert f"ODD {page}: it is not the page that belongs there" in told
    assert page.read_bytes() == before
    holdstill("verify", "--store", store)
