"""The keeper watches and says how it stands: the commands, as a timer and a person run them."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import keys, programs
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

    def status(self) -> subprocess.CompletedProcess[bytes]:
        none = ("--settings", self.folder / "none.yaml")
        return self.run("status", *none, "--keeper-settings", self.folder / "keeper.yaml")


@pytest.fixture
def house(tmp_path: Path) -> Boathouse:
    made = Boathouse(tmp_path)
    pair = keys.make_key(tmp_path / "board")
    programs.run(HOLDSTILL, "keeper", "init", made.store)
    public = pair.private.with_name("board.pub")
    programs.run(HOLDSTILL, "keeper", "enrol", made.store, "pier-3", "--key", public)
    settings = (
        f"store: {made.store}\n"
        f"notify: {{urls_file: {tmp_path}/urls, metrics_file: {tmp_path}/keeper.prom}}\n"
    )
    (tmp_path / "keeper.yaml").write_text(settings, encoding="utf-8")
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
    assert post["title"].endswith(": 1 board is silent")
    assert json.loads(second.stdout)[0]["board"] == "pier-3"
    assert shown.stdout.startswith(b"NEEDS A LOOK: pier-3: no good capture for ")
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


def test_addresses_that_others_may_read_are_complained_about(house: Boathouse) -> None:
    urls = house.folder / "urls"
    urls.write_text(f"json://{CANARY}@127.0.0.1\n", encoding="utf-8")
    urls.chmod(0o644)

    watched = house.watch()

    assert b"chmod 0600" in watched.stderr
    assert CANARY.encode() not in watched.stderr
