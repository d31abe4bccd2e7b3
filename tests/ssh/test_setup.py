"""Set-up as a person and as a fleet does it, with a real sshd and real keys."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import PreflightError, SecurityError
from holdstill.model import settings as model_settings
from holdstill.schedule import state_file
from support import keys, programs, sshd
from support.boards import holdstill
from support.terminals import at_a_terminal

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(90)
MOTTO = "moored at the third pier"
UNIT = """\
[Unit]
Description=Captures this board, night by night
[Service]
Type=notify
ExecStart=/usr/bin/holdstill nightly
ExecStopPost=-/usr/bin/holdstill resume
[Install]
WantedBy=multi-user.target
"""


@dataclass(frozen=True)
class Place:
    """A keeper with an empty store, and the root of a board that is to be set up."""

    server: sshd.Sshd
    store: Path
    root: Path
    units: Path

    @property
    def address(self) -> str:
        return f"ssh://{self.server.user}@{self.server.host}:{self.server.port}"

    @property
    def settings(self) -> Path:
        return self.root / "etc/holdstill/board.yaml"

    def fingerprint(self) -> str:
        """Return what the keeper's own ssh-keygen says: the second witness."""
        said = programs.run("ssh-keygen", "-lf", self.server.folder / "host_key.pub")
        return said.decode().split()[1]

    def words(self, *more: object) -> tuple[object, ...]:
        return (
            "setup", "--root-dir", self.root, "--units", self.units, "--store", self.store, *more,
        )  # fmt: skip

    def given(self, *more: object) -> tuple[object, ...]:
        return self.words("--keeper", self.address, "--board", "pier-3", "--time", "03:15", *more)

    def paste(self, line: str) -> None:
        """Run the printed line in the keeper's shell, and let sshd see what came of it."""
        home = self.server.folder / "home"
        (home / ".ssh").mkdir(parents=True, exist_ok=True)
        tool = home / "holdstill"
        tool.write_text(f'#!/bin/sh\nexec {sys.executable} -m holdstill "$@"\n', encoding="utf-8")
        tool.chmod(0o755)
        environment = {"HOME": str(home), "PATH": f"{home}:/usr/bin:/bin"}
        subprocess.run(["sh", "-c", line], env=environment, check=True, capture_output=True)
        lines = (home / ".ssh/authorized_keys").read_text(encoding="utf-8").splitlines()
        self.server.authorize(*lines)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    for name in ("keeper", "root", "units"):
        (tmp_path / name).mkdir()
    (tmp_path / "units/tmpfiles.d").mkdir()
    for name in ("board", "keeper"):
        line = "d /run/holdstill 0700 root root -\n"
        (tmp_path / f"units/tmpfiles.d/holdstill-{name}.conf").write_text(line, encoding="ascii")
    (tmp_path / "units/holdstill.service").write_text(UNIT, encoding="utf-8")
    (tmp_path / "units/holdstill-keeper-thin.service").write_text(UNIT, encoding="utf-8")
    with sshd.running(tmp_path / "keeper") as server:
        server.authorize()
        store = tmp_path / "store"
        holdstill("keeper", "init", store)
        yield Place(server, store, tmp_path / "root", tmp_path / "units")


def tried(*words: object) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "holdstill", *map(str, words)],
        stdin=subprocess.DEVNULL, capture_output=True, check=False,
    )  # fmt: skip


def line_in(said: str) -> str:
    (line,) = re.findall(r"^echo 'ssh-ed25519 .*$", said, re.MULTILINE)
    return str(line.strip())


def test_a_fleet_sets_a_board_up_by_flags_and_the_pasted_line_lets_it_in(place: Place) -> None:
    said = holdstill(*place.given("--fingerprint", place.fingerprint())).decode()
    place.paste(line_in(said))
    again = holdstill(*place.given("--replace")).decode()

    settings = model_settings.decode_board_settings(place.settings.read_bytes())
    pinned = (place.root / "etc/holdstill/keeper_host_keys").read_bytes()
    assert (settings.board, str(settings.keeper)) == ("pier-3", place.address)
    assert settings.nightly.time == "03:15"
    assert pinned == place.server.known_hosts.read_bytes()
    assert "The keeper answers" not in said
    assert "The keeper answers" in again


def test_what_is_written_is_private_and_units_start_the_right_program(place: Place) -> None:
    holdstill(*place.given("--fingerprint", place.fingerprint()))

    etc = place.root / "etc/holdstill"
    modes = {path.name: path.stat().st_mode & 0o777 for path in etc.iterdir()}
    unit = (place.root / "etc/systemd/system/holdstill.service").read_text(encoding="utf-8")
    assert modes["board.yaml"] == modes["board_ed25519"] == modes["keeper_host_keys"] == 0o600
    assert etc.stat().st_mode & 0o777 == 0o700
    assert "ExecStart=/usr/local/bin/holdstill nightly\n" in unit
    assert "ExecStopPost=-/usr/local/bin/holdstill resume\n" in unit
    assert not (place.root / "etc/systemd/system/holdstill-keeper-thin.service").exists()
    assert [p.name for p in (place.root / "etc/tmpfiles.d").iterdir()] == ["holdstill-board.conf"]


def test_a_host_with_another_key_is_refused_and_nothing_is_written(place: Place) -> None:
    wrong = "SHA256:" + "A" * 43

    done = tried(*place.given("--fingerprint", wrong))

    assert done.returncode == 9
    assert place.fingerprint().encode() in done.stderr
    assert list(place.root.iterdir()) == []


def test_a_fingerprint_that_nobody_confirmed_is_not_trusted(place: Place) -> None:
    done = tried(*place.given())

    assert done.returncode == 2
    assert b"has to be confirmed" in done.stderr
    assert list(place.root.iterdir()) == []


def test_who_may_not_write_is_told_so_before_any_question(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir(mode=0o555)
    tmp_path.chmod(0o755)
    other = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
    tool = [sys.executable, "-m", "holdstill", "setup", "--root-dir", os.fspath(tmp_path)]
    if os.geteuid() == 0:  # root may write anywhere
        for above in tmp_path.parents[:2]:
            above.chmod(0o755)
        tool = [*other, *tool]

    done = subprocess.run(tool, stdin=subprocess.DEVNULL, capture_output=True, check=False)

    assert done.returncode == 4
    assert b"sudo holdstill setup" in done.stderr


def test_settings_that_are_there_are_not_overwritten_without_a_word(place: Place) -> None:
    holdstill(*place.given("--fingerprint", place.fingerprint()))
    before = place.settings.read_bytes()
    key = (place.root / "etc/holdstill/board_ed25519").read_bytes()

    refused = tried(*place.given("--time", "04:00"))
    kept = place.settings.read_bytes()
    holdstill(*place.given("--time", "04:00", "--replace"))

    assert refused.returncode == 4
    assert b"--replace" in refused.stderr
    assert kept == before
    assert b"04:00" in place.settings.read_bytes()
    assert (place.root / "etc/holdstill/board_ed25519").read_bytes() == key


@pytest.mark.parametrize(
    ("flag", "value"),
    [("--board", "../etc"), ("--keeper", "boathouse"), ("--time", "25:00"), ("--store", "a;b")],
)
def test_answers_that_make_no_sense_are_refused_before_anything_is_written(
    place: Place, flag: str, value: str
) -> None:
    done = tried(*place.given("--fingerprint", place.fingerprint(), flag, value))

    assert done.returncode == 2
    assert list(place.root.iterdir()) == []


def test_a_store_in_a_directory_needs_no_line_and_no_fingerprint(place: Place) -> None:
    said = holdstill(*place.words("--keeper", place.store, "--board", "pier-3")).decode()

    assert "The keeper answers" in said
    assert "Paste" not in said
    assert (place.store / "boards/pier-3/enrolment.yaml").exists()


def test_removing_leaves_the_captures_and_what_others_put_there(place: Place) -> None:
    holdstill(*place.words("--keeper", place.store, "--board", "pier-3"))
    state = place.root / "var/lib/holdstill"
    state.mkdir(parents=True)
    for name in ("last.json", "index.sqlite", "baseline-2", "nights.json", "somebody-elses"):
        (state / name).touch()
    spool = place.root / "run/holdstill"
    spool.mkdir(parents=True)
    for name in ("lock", state_file.LOCK, state_file.LIVE):
        (spool / name).touch()

    holdstill(*place.words("--remove", "--yes"))

    assert [path.name for path in state.iterdir()] == ["somebody-elses"]
    assert not spool.exists()
    assert not (place.root / "etc/holdstill").exists()
    assert not (place.root / "etc/systemd/system/holdstill.service").exists()
    assert list((place.root / "etc/tmpfiles.d").iterdir()) == []
    assert (place.store / "boards/pier-3/enrolment.yaml").exists()


# A login that is given once ---------------------------------------------------------------------


@dataclass(frozen=True)
class Visitor:
    """Somebody who may log in at the keeper, and a key of theirs with a passphrase."""

    place: Place
    key: Path

    def words(self, *more: object) -> tuple[object, ...]:
        fingerprint = self.place.fingerprint()
        return self.place.given("--fingerprint", fingerprint, "--login-key", self.key, *more)


@pytest.fixture
def visitor(tmp_path: Path) -> Iterator[Visitor]:
    for name in ("keeper", "root", "units", "home/.ssh", "bin"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "home").chmod(0o700)
    (tmp_path / "home/.ssh/authorized_keys").symlink_to(tmp_path / "keeper/authorized_keys")
    tool = tmp_path / "bin/holdstill"
    tool.write_text(f'#!/bin/sh\nexec {sys.executable} -m holdstill "$@"\n', encoding="utf-8")
    tool.chmod(0o755)
    there = f"SetEnv HOME={tmp_path / 'home'} PATH={tmp_path / 'bin'}:/usr/bin:/bin"
    with sshd.running(tmp_path / "keeper", extra=(there,)) as server:
        store = tmp_path / "store"
        holdstill("keeper", "init", store)
        place = Place(server, store, tmp_path / "root", tmp_path / "units")
        programs.run("ssh-keygen", "-q", "-p", "-P", "", "-N", MOTTO, "-f", server.client_key)
        yield Visitor(place, server.client_key)


def test_a_login_that_is_given_once_enrols_the_board_and_lets_it_in(visitor: Visitor) -> None:
    environment = {**os.environ, "ONCE": MOTTO}
    words = [
        sys.executable,
        "-m",
        "holdstill",
        *map(str, visitor.words("--login-password", "env:ONCE")),
    ]

    done = subprocess.run(
        words, env=environment, stdin=subprocess.DEVNULL, capture_output=True, check=False
    )

    said = done.stdout.decode()
    lines = (visitor.place.server.folder / "authorized_keys").read_text(encoding="ascii")
    assert done.returncode == 0, done.stderr.decode()
    assert "pier-3 is enrolled, and is let in" in said
    assert "The keeper answers" in said
    assert "Paste" not in said
    assert len(lines.splitlines()) == 2  # the visitor's own line stays
    assert lines.splitlines()[1].startswith("restrict,command=")


def test_the_password_is_kept_nowhere_and_comes_from_a_descriptor(visitor: Visitor) -> None:
    ours, theirs = os.pipe()
    os.write(theirs, f"{MOTTO}\n".encode())
    os.close(theirs)
    words = [
        sys.executable,
        "-m",
        "holdstill",
        *map(str, visitor.words("--login-password", f"fd:{ours}")),
    ]

    done = subprocess.run(
        words, pass_fds=(ours,), stdin=subprocess.DEVNULL, capture_output=True, check=False
    )
    os.close(ours)

    kept = [path for path in visitor.place.root.rglob("*") if path.is_file()]
    assert done.returncode == 0, done.stderr.decode()
    assert kept
    assert not any(MOTTO.encode() in path.read_bytes() for path in kept)
    assert MOTTO.encode() not in done.stdout + done.stderr


def test_enrolling_again_leaves_one_line_for_the_board(visitor: Visitor) -> None:
    programs.run("ssh-keygen", "-q", "-p", "-P", MOTTO, "-N", "", "-f", visitor.key)
    holdstill(*visitor.words())
    path = visitor.place.server.folder / "authorized_keys"
    spoilt = path.read_text(encoding="ascii").replace("restrict,command=", "command=")
    path.write_text(spoilt, encoding="ascii")  # still a line with the board's key
    key = (visitor.place.root / "etc/holdstill/board_ed25519.pub").read_bytes()
    tool = visitor.place.root / "key.pub"
    tool.write_bytes(key)

    subprocess.run(
        [sys.executable, "-m", "holdstill", "keeper", "enrol", visitor.place.store, "pier-3",
         "--key", tool, "--let-in"],
        env={**os.environ, "HOME": str(path.parents[1] / "home")}, check=True, capture_output=True,
    )  # fmt: skip

    lines = path.read_text(encoding="ascii").splitlines()
    assert len(lines) == 2
    assert lines[1].startswith("restrict,")


@pytest.mark.parametrize(
    ("place", "code", "said"),
    [
        ("env:NOBODY_SET_THIS", 2, b"no variable"),
        ("fd:977", 2, b"cannot read file descriptor 977"),
        ("hunter2", 2, b"says no place"),
        ("ask:now", 2, b"says no place"),
    ],
)
def test_a_password_that_is_nowhere_is_told_before_anything_is_written(
    visitor: Visitor, place: str, code: int, said: bytes
) -> None:
    done = tried(*visitor.words("--login-password", place))

    assert done.returncode == code
    assert said in done.stderr
    assert list(visitor.place.root.iterdir()) == []


def test_a_login_that_is_not_accepted_or_not_usable_is_told_apart(visitor: Visitor) -> None:
    other = keys.make_key(visitor.place.root.parent / "other", comment="stranger")

    locked = tried(*visitor.words())  # its passphrase is missing
    refused = tried(*visitor.place.given("--replace", "--login-key", other.private))

    assert locked.returncode == 4
    assert b"cannot use the key" in locked.stderr
    assert refused.returncode == 6
    assert b"does not accept this login" in refused.stderr


def test_a_keeper_without_holdstill_is_told(visitor: Visitor) -> None:
    programs.run("ssh-keygen", "-q", "-p", "-P", MOTTO, "-N", "", "-f", visitor.key)
    (visitor.place.root.parent / "bin/holdstill").unlink()

    done = tried(*visitor.words())

    assert done.returncode == 6
    assert b"there is no holdstill at" in done.stderr


# At a terminal -----------------------------------------------------------------------------------


def test_a_person_is_asked_four_things_and_the_keeper_answers_at_the_end(place: Place) -> None:
    with at_a_terminal(*place.words()) as (terminal, process):
        terminal.answer("Where do captures go", "boathouse")  # no address: asked again
        terminal.expect("no address of a store")
        terminal.answer("Where do captures go", place.address)
        terminal.answer("name at the keeper", "pier-3")
        terminal.expect(place.fingerprint())
        terminal.answer("print the same", "y")
        terminal.expect("--let-in\n")
        place.paste(line_in(terminal.said))
        terminal.answer("Press Enter", "")
        terminal.to_the_end()
        code = process.wait(timeout=30)

    assert code == 0
    assert "The keeper answers" in terminal.said
    assert terminal.questions == 5  # one was answered twice
    assert "Three commands to remember" in terminal.said
    assert b"02:30" in place.settings.read_bytes()


def test_a_person_who_says_no_to_the_fingerprint_leaves_no_trace(place: Place) -> None:
    words = place.words("--keeper", place.address, "--board", "pier-3", "--time", "02:30")
    with at_a_terminal(*words) as (terminal, process):
        terminal.answer("print the same", "n")
        terminal.to_the_end()
        code = process.wait(timeout=30)

    assert code == 9
    assert list(place.root.iterdir()) == []


def test_a_person_may_paste_the_line_later(place: Place) -> None:
    with at_a_terminal(*place.given("--fingerprint", place.fingerprint())) as (
        terminal,
        process,
    ):
        terminal.answer("Press Enter", "")
        terminal.expect("It does not answer this board yet: ")
        terminal.expect("(Authentication failed.)")  # its key is in no authorized_keys
        terminal.answer("Press Enter", "later")
        terminal.to_the_end()
        code = process.wait(timeout=30)

    assert code == 0
    assert place.settings.exists()


def test_the_name_of_the_system_is_the_boards_and_is_not_asked_for(place: Place) -> None:
    (place.root / "etc").mkdir()
    (place.root / "etc/hostname").write_text("pier-5.marina\n", encoding="ascii")
    address = place.address.removeprefix("ssh://").rpartition(":")[0]
    assert address == f"{place.server.user}@{place.server.host}"
    with at_a_terminal(*place.words("--keeper", place.address, "--time", "2:30")) as (
        terminal,
        process,
    ):
        terminal.answer("print the same", "y")
        terminal.answer("Press Enter", "later")
        terminal.to_the_end()
        code = process.wait(timeout=30)

    assert code == 0
    assert terminal.questions == 2
    assert "the board is called pier-5, by its host name" in terminal.said
    assert b'board: "pier-5"' in place.settings.read_bytes()
    assert b'time: "02:30"' in place.settings.read_bytes()


@pytest.mark.parametrize("name", ["raspberrypi", "Bad_Name", ""])
def test_a_name_that_many_boards_have_is_no_answer(place: Place, name: str) -> None:
    (place.root / "etc").mkdir()
    (place.root / "etc/hostname").write_text(f"{name}\n", encoding="ascii")

    done = tried(*place.words("--keeper", place.address))

    assert done.returncode == 2
    assert b"give --keeper and --board" in done.stderr


def test_said_again_it_shows_what_is_there_and_changes_nothing(place: Place) -> None:
    said = holdstill(*place.given("--fingerprint", place.fingerprint())).decode()
    place.paste(line_in(said))
    etc = place.root / "etc/holdstill"
    before = {path.name: path.read_bytes() for path in etc.iterdir()}

    again = holdstill(*place.words()).decode()

    assert {path.name: path.read_bytes() for path in etc.iterdir()} == before
    assert f"pier-3 is set up already ({place.settings})" in again
    assert "The keeper answers" in again
    assert "The keeper does not let this board in yet" in said
    assert "holdstill rebuild pier-3 /dev/sdX" in said


def test_said_again_with_another_fingerprint_it_is_told_and_nothing_changes(place: Place) -> None:
    holdstill(*place.given("--fingerprint", place.fingerprint()))
    pinned = (place.root / "etc/holdstill/keeper_host_keys").read_bytes()

    same = tried(*place.words("--fingerprint", place.fingerprint()))
    other = tried(*place.words("--fingerprint", "SHA256:" + "A" * 43))

    assert same.returncode == 0, same.stderr
    assert other.returncode == PreflightError.exit_code
    assert b"otherwise than --fingerprint says" in other.stderr
    assert b"--replace" in other.stderr
    assert (place.root / "etc/holdstill/keeper_host_keys").read_bytes() == pinned


def test_said_again_a_keeper_with_another_host_key_is_not_called_one_that_waits(
    place: Place, tmp_path: Path
) -> None:
    holdstill(*place.given("--fingerprint", place.fingerprint()))
    pins = place.root / "etc/holdstill/keeper_host_keys"
    host, kind, _ = pins.read_text(encoding="ascii").split()[:3]
    other = keys.make_key(tmp_path / "another_host").public.split()[1]
    pins.write_text(f"{host} {kind} {other}\n", encoding="ascii")

    again = tried(*place.words())

    assert again.returncode == SecurityError.exit_code
    assert b"another host key than the pinned one" in again.stderr
    assert b"does not let this board in yet" not in again.stdout
