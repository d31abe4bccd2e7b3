"""Boards' sessions under a real systemd: in the sandbox of the unit that answers them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest

from holdstill.model import names
from support import concurrent_captures, keys
from support.boathouse import Boathouse
from support.vm import board, machine, units

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from support.sshd import Sshd
    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800)]

SOCKET, SERVICE = "holdstill-keeper-sessions.socket", "holdstill-keeper-sessions.service"
STORE, HOME = "/srv/holdstill", "/var/lib/holdstill-keeper/.ssh"
PIER = names.check_board("pier-3")
AS_KEEPER = ("runuser", "-u", "keeper", "--", "holdstill")


@dataclass
class Seen:
    """What was seen.

    Attributes:
        before: the unit's state before anybody came; during: in the middle of a session.
        hosts: processes of the session host then.
        name: of the capture; listed: what the keeper says of it.
        said: what the unit has said.
    """

    before: str
    during: str
    hosts: int
    name: str
    listed: list[dict[str, object]]
    said: str


def keeper_of(pier: Machine, folder: Path) -> Boathouse:
    """Make the machine a keeper that lets one board in; return it as that board knows it."""
    units.install(pier)
    pair = keys.make_key(folder / "board_key")
    pier.put("/root/board.pub", pair.public.encode())
    pier.put("/etc/holdstill/keeper.yaml", f"store: {STORE}\n".encode())
    pier.run("chmod", "-R", "a+rX", "/etc/holdstill")
    pier.run(*AS_KEEPER, "keeper", "init", STORE, timeout=300)
    pier.run("install", "-o", "keeper", "/root/board.pub", f"{STORE}/board.pub")
    said = pier.run(
        *AS_KEEPER, "keeper", "enrol", STORE, PIER, "--key", f"{STORE}/board.pub", timeout=300
    )
    (line,) = (line for line in said.decode().splitlines() if " keeper serve " in line)
    pier.put(f"{HOME}/authorized_keys", f"{line.strip()}\n".encode())
    pier.run("chmod", "644", f"{HOME}/authorized_keys")
    pier.run("systemctl", "enable", "--now", SOCKET)
    known = folder / "known_hosts"
    known.write_text(f"[127.0.0.1]:{pier.port} {pier.card.tree.host_key}\n", encoding="ascii")
    server = SimpleNamespace(user="keeper", host="127.0.0.1", port=pier.port, known_hosts=known)
    # Its store is over there; a board asks for none.
    house = Boathouse(cast("Sshd", server), cast("Store", None), folder)
    house.keys[PIER] = pair
    return house


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Seen:
    folder = tmp_path_factory.mktemp("sessions")
    card = board.build_card(board.tree(), folder / "card.img")
    with machine.booted(card, machine.from_sd_card(card.image)) as pier:
        house = keeper_of(pier, folder)
        before = units.properties(pier, SERVICE, "ActiveState")["ActiveState"]
        with house.keeper(PIER) as keeper:
            keeper.hello()
            during = units.properties(pier, SERVICE, "ActiveState")["ActiveState"]
            found = pier.run("pgrep", "-u", "keeper", "-f", "holdstill keeper sessions")
        name = concurrent_captures.capture(house, PIER, 1).name
        listed = json.loads(pier.run("holdstill", "list", PIER, "--json", timeout=300))
        said = units.words(pier, SERVICE)
        return Seen(before, during, len(found.split()), name, listed["boards"][PIER], said)


def test_a_session_begins_the_host_which_forks_for_it(seen: Seen) -> None:
    assert (seen.before, seen.during) == ("inactive", "active")
    assert seen.hosts == 2


def test_a_capture_arrives_whole_through_the_sandbox(seen: Seen) -> None:
    (capture,) = seen.listed

    assert f"{PIER}/{capture['name']}".endswith(seen.name)
    assert capture["faults"] == [], seen.said
    assert "Traceback" not in seen.said
