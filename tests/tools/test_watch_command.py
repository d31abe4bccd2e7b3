"""The keeper watches and says how it stands: the commands, as a timer and a person run them."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import boards, keys, programs
from support.listener import listening

if TYPE_CHECKING:
    import subprocess

HOLDSTILL = Path(sys.executable).with_name("holdstill")
CANARY = "canary-91d0c4"
pytestmark = pytest.mark.timeout(60)


@dataclass
class Boathouse:
    """A keeper with one enrolled board."""

    folder: Path

    @property
    def store(self) -> Path:
        return self.folder / "store"

    def run(self, *words: str | Path) -> subprocess.CompletedProcess[bytes]:
        return programs.attempt(HOLDSTILL, *words)

    def enrolled_for_a_year(self) -> None:
        """Make the board's enrolment old: it has been silent since."""
        path = self.store / "boards/pier-3/enrolment.yaml"
        text = path.read_text(encoding="utf-8")
        path.write_text(re.sub(r"(added_at: '?)\d{4}", r"\g<1>2025", text), encoding="utf-8")

    def watch(self, *words: str) -> subprocess.CompletedProcess[bytes]:
        return self.run("keeper", "watch", "--settings", self.folder / "keeper.yaml", *words)

    def addresses(self, *lines: str) -> None:
        urls = self.folder / "urls"
        urls.write_text("\n".join(lines) + "\n", encoding="utf-8")
        urls.chmod(0o600)

    def try_alarms(self, *words: str) -> subprocess.CompletedProcess[bytes]:
        none = ("--settings", self.folder / "none.yaml")
        settings = ("--keeper-settings", self.folder / "keeper.yaml")
        return self.run("try-alarms", *none, *settings, *words)

    def status(self) -> subprocess.CompletedProcess[bytes]:
        none = ("--settings", self.folder / "none.yaml")
        return self.run("status", *none, "--keeper-settings", self.folder / "keeper.yaml")


@pytest.fixture
def house(tmp_path: Path) -> Boathouse:
    made = Boathouse(tmp_path)
    boards.enrolled(made.store, "pier-3", keys.make_key(tmp_path / "board").public)
    settings = (
        f"store: {made.store}\n"
        f"notify: {{urls_file: {tmp_path}/urls, metrics_file: {tmp_path}/keeper.prom}}\n"
    )
    (tmp_path / "keeper.yaml").write_text(settings, encoding="utf-8")
    (tmp_path / "urls").touch(mode=0o600)
    return made


def test_a_silent_board_is_an_exit_code_a_message_and_a_number(house: Boathouse) -> None:
    house.enrolled_for_a_year()
    with listening() as server:
        urls = house.folder / "urls"
        urls.write_text(server.url(CANARY) + "\n", encoding="utf-8")
        urls.chmod(0o600)

        first, second = house.watch(), house.watch("--json")
    shown = house.status()

    assert (first.returncode, second.returncode, shown.returncode) == (8, 8, 8)
    ((_, post),) = server.posts
    assert post["title"].endswith(": 1 board needs a look")
    assert json.loads(second.stdout)["boards"][0]["board"] == "pier-3"
    assert shown.stdout.startswith(b"SOMEBODY HAS TO LOOK: at 1 of 1 board\n")
    assert b"\nNEEDS A LOOK: pier-3: no good capture for " in shown.stdout
    assert shown.stdout.splitlines()[-1].startswith(b"what to do about pier-3: ")
    assert (
        b'holdstill_keeper_silent{board="pier-3"} 1.0\n'
        in (house.folder / "keeper.prom").read_bytes()
    )
    kept = (house.store / "watch.json").read_bytes()
    said = b"".join(done.stdout + done.stderr for done in (first, second, shown))
    assert CANARY.encode() not in kept + said


def test_a_board_that_was_enrolled_just_now_is_well(house: Boathouse) -> None:
    watched, shown = house.watch(), house.status()

    assert (watched.returncode, shown.returncode) == (0, 0)
    assert watched.stderr == b""


def test_people_are_told_of_a_mistake_in_the_keepers_settings(house: Boathouse) -> None:
    """No board can capture by them, and none may fall silent for it unnoticed."""
    settings = house.folder / "keeper.yaml"
    with listening() as server:
        house.addresses(server.url(CANARY))
        settings.write_text(settings.read_text("utf-8") + "retention: {day: 7}\n", "utf-8")

        done = house.watch()

    assert done.returncode == 2
    assert b"retention.day: unknown key" in done.stderr
    ((_, post),) = server.posts
    assert str(settings) in post["message"]
    assert "retention.day: unknown key" in post["message"]


def test_addresses_that_others_may_read_are_complained_about(house: Boathouse) -> None:
    urls = house.folder / "urls"
    urls.write_text(f"json://{CANARY}@127.0.0.1\n", encoding="utf-8")
    urls.chmod(0o644)

    watched = house.watch()

    assert watched.stdout.startswith(b"SOMEBODY HAS TO LOOK: people may not hear")
    assert b"chmod 0600" in watched.stdout
    assert CANARY.encode() not in watched.stdout + watched.stderr


def test_m15_f11_a_line_that_is_no_address_is_told_and_an_exit_code(house: Boathouse) -> None:
    with listening() as server:
        house.addresses("# the harbour master", server.url(CANARY), f"foo{CANARY}")

        watched, shown, tried = house.watch(), house.status(), house.try_alarms()

    assert (watched.returncode, shown.returncode, tried.returncode) == (8, 8, 8)
    for said in (watched.stdout, shown.stdout, tried.stderr):
        assert b"line 3 is no address" in said
    assert len(server.posts) == 1  # the trial message, to the line that is one
    said = b"".join(done.stdout + done.stderr for done in (watched, shown, tried))
    assert CANARY.encode() not in said


def test_m15_f11_alarms_that_reach_nobody_are_told_until_they_do(house: Boathouse) -> None:
    house.enrolled_for_a_year()
    with listening() as server:
        house.addresses(server.url(CANARY))
        server.status = 503

        first, shown = house.watch(), house.status()
        house.run("keeper", "retire", house.store, "pier-3")  # nothing else is amiss
        second = house.watch()
        server.status = 200
        last, well = house.watch(), house.status()

    for done in (first, second):
        assert done.returncode == 8
        assert b"1 message has not been delivered yet" in done.stdout
    assert b"1 message has not been delivered yet" in shown.stdout
    assert (last.returncode, last.stderr, well.returncode) == (0, b"", 0)


def test_f11_a_trial_message_reports_each_recipient_and_no_secret(house: Boathouse) -> None:
    with listening() as server:
        house.addresses(server.url(CANARY), "", f"pigeon://{CANARY}")

        done = house.try_alarms()
        report = json.loads(house.try_alarms("--json").stdout)

    assert done.returncode == 8
    first, second = done.stdout.decode().splitlines()
    assert first == "line 1, json://: reached"
    assert second.startswith("line 3, pigeon://: NOT REACHED: Apprise knows no such service")
    assert [each["is_reached"] for each in report["trials"]] == [True, False]
    assert report["complaints"] == []
    assert [post["title"].endswith(": a trial message") for _, post in server.posts] == [True] * 2
    assert CANARY.encode() not in done.stdout + done.stderr


def test_f11_a_trial_that_reaches_all_is_well_and_one_without_addresses_is_not(
    house: Boathouse,
) -> None:
    without = house.try_alarms()
    with listening() as server:
        house.addresses(server.url(CANARY))
        alone = house.try_alarms()

    assert (without.returncode, alone.returncode) == (8, 0)
    assert b"has no address: nobody is told anything" in without.stderr


def test_f11_a_machine_that_is_no_board_and_no_keeper_has_nobody_to_tell(house: Boathouse) -> None:
    none = house.folder / "none.yaml"

    done = house.run("try-alarms", "--settings", none, "--keeper-settings", none)

    assert done.returncode == 2


@pytest.mark.parametrize("left", ["nothing", "an-empty-mount-point"])
def test_a_store_whose_disk_is_gone_is_told(house: Boathouse, left: str) -> None:
    """All boards are silent at once then, and none of them can say so."""
    house.store.rename(house.folder / "away")
    if left == "an-empty-mount-point":
        house.store.mkdir()
    with listening() as server:
        house.addresses(server.url(CANARY))
        watched = house.watch()

    assert watched.returncode == 2
    ((_, post),) = server.posts
    assert post["title"].endswith(": the store of all boards is out of reach")
    for said in (post["message"], watched.stderr.decode()):
        assert f"{house.store} is not a store" in said
        assert said.index("mount that first") < said.index("keeper init")
    assert CANARY.encode() not in watched.stderr


def test_a_store_that_nothing_can_be_written_to_is_told(house: Boathouse) -> None:
    house.enrolled_for_a_year()
    (house.store / "watch.json").mkdir()  # in the place of what was said before
    with listening() as server:
        house.addresses(server.url(CANARY))
        watched = house.watch()

    assert watched.returncode == 8
    posts = [post["message"] for _, post in server.posts]
    assert any("watch.json: a directory is in the place of a file" in post for post in posts)
    assert b"watch.json cannot be written, so that people are told" in watched.stdout


def test_nobody_is_reached_about_a_store_that_is_gone(house: Boathouse) -> None:
    house.store.rename(house.folder / "away")
    house.addresses("json://127.0.0.1:9")  # discard (RFC 863): nobody listens

    watched = house.watch()

    assert watched.returncode == 2
    assert b"1 of those who are to be told could not be reached" in watched.stderr


def test_a_store_with_something_in_its_way_needs_a_look(house: Boathouse) -> None:
    (house.store / "references.sqlite").unlink(missing_ok=True)
    (house.store / "references.sqlite").mkdir()

    watched, shown = house.watch(), house.status()

    assert (watched.returncode, shown.returncode) == (8, 8)
    line = f"NEEDS A LOOK: {house.store}/references.sqlite: a directory is in the place of a file"
    for done in (watched, shown):
        assert done.stdout.startswith(b"SOMEBODY HAS TO LOOK: at the store\n" + line.encode())
        assert b"what to do: move it away" in done.stdout


def test_a_full_disk_needs_a_look(house: Boathouse) -> None:
    path = house.folder / "keeper.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "min_free: 900T\n", encoding="utf-8")

    watched, shown = house.watch("--json"), house.status()

    assert (watched.returncode, shown.returncode) == (8, 8)
    (trouble,) = json.loads(watched.stdout)["store"]
    assert trouble.startswith(
        f"{house.store}: 900.0 TiB of the keeper's disk stay free (min_free)"
    )
    assert b"no board can capture; what to do: `holdstill thin`" in shown.stdout


def test_why_somebody_was_not_reached_is_told(house: Boathouse) -> None:
    house.addresses("foo://nobody", "json://127.0.0.1:9/")

    done = house.try_alarms()

    assert done.returncode == 8
    first, second = done.stdout.decode().splitlines()
    assert first == (
        "line 1, foo://: NOT REACHED: Apprise knows no such service, or not this form of its "
        "address"
    )
    assert second.startswith("line 2, json://: NOT REACHED: it did not take the message; see ")


@pytest.mark.parametrize("kind", ["a directory", "no text", "a link to nowhere"])
def test_a_file_of_addresses_that_is_of_no_use_is_named(house: Boathouse, kind: str) -> None:
    urls = house.folder / "urls"
    urls.unlink()
    match kind:
        case "a directory":
            urls.mkdir(mode=0o700)
        case "no text":
            urls.write_bytes(b"\xff\xfe")
            urls.chmod(0o600)
        case "a link to nowhere":
            urls.symlink_to("nowhere")
        case _:
            pass

    tried, watched, shown = house.try_alarms(), house.watch(), house.status()

    assert [done.returncode for done in (tried, watched, shown)] == [8, 8, 8]
    for said in (tried.stderr, watched.stdout, shown.stdout):
        assert str(urls).encode() in said
        assert b"so nobody is told" in said or b": nobody is told" in said


def test_f2_a_file_of_addresses_that_the_settings_name_and_that_is_not_there_is_told(
    house: Boathouse,
) -> None:
    (house.folder / "urls").unlink()

    watched, shown, tried = house.watch(), house.status(), house.try_alarms()

    assert (watched.returncode, shown.returncode, tried.returncode) == (8, 8, 8)
    for said in (watched.stdout, shown.stdout, tried.stderr):
        words = b" ".join(said.split())
        assert b"which the settings name, is not there: nobody is told anything" in words
