"""`keeper setup` and `keeper remove` of this machine: in a mount namespace, so that it stays."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.model import settings as model_settings
from support import keys, programs

if TYPE_CHECKING:
    from collections.abc import Sequence

pytestmark = pytest.mark.timeout(180)
WORDS = (sys.executable, "-B", "-m", "holdstill")


@dataclass(frozen=True)
class Shelter:
    """Folders that take the place of /etc, /home and /srv for what runs inside."""

    folder: Path

    @property
    def etc(self) -> Path:
        return self.folder / "etc"

    @property
    def lines(self) -> list[str]:
        """The lines by which the keeper's user lets in."""
        path = self.folder / "home/keeper/.ssh/authorized_keys"
        return path.read_text("ascii").splitlines() if path.exists() else []

    def attempt(
        self, *words: object, first: str = "true", stdin: str = ""
    ) -> subprocess.CompletedProcess[str]:
        """Run the product inside, after a line of the shell."""
        script = (
            'for d in etc home srv; do mount --bind "$1/$d" /$d; done && '
            f'shift && {first} && exec "$@"'
        )
        return subprocess.run(
            [
                "unshare", "--mount", "sh", "-c", script, "sh", os.fspath(self.folder), *WORDS,
                *map(str, words),
            ],
            input=stdin, capture_output=True, check=False, text=True,
        )  # fmt: skip

    def run(self, *words: object, accepted: Sequence[int] = (0,), first: str = "true") -> str:
        done = self.attempt(*words, first=first)
        assert done.returncode in accepted, f"{done.returncode}: {done.stdout}\n{done.stderr}"
        return done.stdout + done.stderr


@pytest.fixture
def shelter(tmp_path: Path) -> Shelter:
    # The keeper's user has to reach this test's folders: they are its machine.
    for place in (tmp_path, *tmp_path.parents[:3]):
        if place.stat().st_uid == os.geteuid() and place != Path("/tmp"):  # noqa: S108
            place.chmod(place.stat().st_mode | 0o011)
    shutil.copytree("/etc", tmp_path / "etc", symlinks=True, ignore_dangling_symlinks=True)
    shutil.rmtree(tmp_path / "etc/holdstill", ignore_errors=True)
    for name in ("home", "srv"):
        (tmp_path / name).mkdir(mode=0o755)
    host = keys.make_key(tmp_path / "host", comment="host")
    (tmp_path / "etc/ssh").mkdir(exist_ok=True)
    (tmp_path / "etc/ssh/ssh_host_ed25519_key.pub").write_text(f"{host.public}\n", "ascii")
    return Shelter(tmp_path)


def tree(folder: Path) -> dict[str, tuple[int, int, float]]:
    """Return mode, owner and time of change of all below a folder."""
    found = {}
    for path in sorted(folder.rglob("*")):
        state = path.lstat()
        found[str(path)] = (state.st_mode, state.st_uid, state.st_mtime)
    return found


def test_one_command_makes_a_keeper_and_said_again_it_changes_nothing(shelter: Shelter) -> None:
    said = shelter.run("keeper", "setup", "--yes")

    settings = model_settings.decode_keeper_settings(
        (shelter.etc / "holdstill/keeper.yaml").read_bytes()
    )
    store = shelter.folder / "srv/holdstill"
    entry = re.search(r"(?m)^keeper:.*$", (shelter.etc / "passwd").read_text("utf-8"))
    shadow = re.search(r"(?m)^keeper:(.*?):", (shelter.etc / "shadow").read_text("utf-8"))
    assert entry is not None
    assert shadow is not None
    _, _, uid, _, comment, home, shell = entry[0].split(":")
    assert (comment, home, shell) == ("holdstill keeper", "/home/keeper", "/bin/sh")
    assert shadow[1] == "*"  # no password, and not locked: sshd(8) lets no locked account in
    assert str(settings.store) == "/srv/holdstill"
    assert (store / "store.yaml").stat().st_uid == store.stat().st_uid == int(uid)
    assert store.stat().st_mode & 0o777 == 0o700
    assert (shelter.etc / "holdstill").stat().st_mode & 0o005 == 0o005
    assert (shelter.etc / "holdstill/owner_ed25519").stat().st_mode & 0o777 == 0o600
    (line,) = shelter.lines
    assert "--reader owner" in line
    assert line.startswith('restrict,command="')

    before = tree(shelter.folder / "srv"), tree(shelter.etc / "holdstill"), shelter.lines
    again = shelter.run("keeper", "setup", "--yes")

    after = tree(shelter.folder / "srv"), tree(shelter.etc / "holdstill"), shelter.lines
    assert [name for name in after[1] if after[1][name] != before[1].get(name)] == []
    assert after[2] == before[2]
    changed = {name for name in after[0] if after[0][name] != before[0].get(name)}
    assert all("/readers" in name for name in changed), changed  # its key's time of admission
    assert "made" not in again
    for what in ("user keeper", "store /srv/holdstill", "settings", "reading key"):
        assert re.search(rf"made {what}", said)
        assert re.search(rf"(?m)^{what}.* is there already", again)


def test_it_ends_with_the_line_for_a_board_and_says_what_cron_is_to_do(shelter: Shelter) -> None:
    said = shelter.run("keeper", "setup", "--yes", "--store", "/srv/kept", "--user", "marina")

    print_ = programs.run("ssh-keygen", "-lf", shelter.etc / "ssh/ssh_host_ed25519_key.pub")
    line = re.search(r"(?m)^  sudo holdstill setup .*$", said)
    assert line is not None
    words = shlex.split(line[0])
    assert words[words.index("--fingerprint") + 1] == print_.decode().split()[1]
    assert words[words.index("--keeper") + 1].startswith("ssh://marina@")
    assert words[-2:] == ["--store", "/srv/kept"]
    cron = re.findall(r"(?m)^(\S+ \S+ \S+ \S+ \S+) marina \S+ (.*)$", said)
    assert cron == [
        ("0 12 * * *", "thin --apply"),
        ("0 10 * * 0", "verify --within 27 --rate 20M"),
        ("17 * * * *", "keeper watch"),
    ]


@pytest.mark.parametrize(
    ("first", "words", "told"),
    [
        (
            "mount -t tmpfs tmpfs /srv",
            (),
            "it is memory, and gone with the next restart",
        ),
        (
            "mount --bind -o ro /srv /srv && mount -o remount,bind,ro /srv",
            ("--user", "root"),
            "root is no user for a store",
        ),
    ],
)
def test_odd_places_and_users_are_refused_before_anything_is_made(
    shelter: Shelter, first: str, words: tuple[str, ...], told: str
) -> None:
    said = shelter.run("keeper", "setup", "--yes", *words, accepted=(4,), first=first)

    assert told in said
    assert "what to do" in said
    assert not (shelter.etc / "holdstill").exists()
    assert "keeper:" not in (shelter.etc / "passwd").read_text("utf-8")


def test_a_full_disk_is_refused(shelter: Shelter, tmp_path: Path) -> None:
    image = tmp_path / "full.img"
    with image.open("wb") as file:
        file.truncate(64 << 20)
    programs.run("mke2fs", "-q", "-t", "ext4", image)

    said = shelter.run(
        "keeper", "setup", "--yes", accepted=(4,), first=f"mount -o loop {image} /srv"
    )

    assert "the disk of /srv/holdstill is full" in said
    assert "name a directory on another disk" in said


def test_another_store_than_that_of_the_settings_is_refused(shelter: Shelter) -> None:
    shelter.run("keeper", "setup", "--yes")

    said = shelter.run("keeper", "setup", "--yes", "--store", "/srv/other", accepted=(4,))

    assert "is the keeper of /srv/holdstill already" in said
    assert not (shelter.folder / "srv/other").exists()


def test_removing_leaves_the_captures_and_set_up_takes_them_up_again(shelter: Shelter) -> None:
    shelter.run("keeper", "setup", "--yes")
    store = shelter.folder / "srv/holdstill"
    before = sorted(path for path in store.rglob("*") if "readers" not in path.parts)

    said = shelter.run("keeper", "remove", "--yes")
    after = sorted(path for path in store.rglob("*") if "readers" not in path.parts)
    left = (shelter.etc / "holdstill").exists(), shelter.lines
    again = shelter.run("keeper", "setup", "--yes")

    assert "the captures in /srv/holdstill are as they were" in said
    assert after == before
    assert left == (False, [])
    assert "store /srv/holdstill is there already" in again
    assert len(shelter.lines) == 1


@pytest.mark.parametrize(
    ("confirm", "code"), [((), 2), (("--confirm", "yes"), 2), (("--confirm", "/srv"), 2)]
)
def test_captures_are_not_deleted_without_the_typed_path(
    shelter: Shelter, confirm: tuple[str, ...], code: int
) -> None:
    shelter.run("keeper", "setup", "--yes")

    said = shelter.run("keeper", "remove", "--yes", "--captures", *confirm, accepted=(code,))

    assert "ALL CAPTURES of 0 boards in /srv/holdstill will be deleted" in said
    assert "nothing was removed" in said
    assert (shelter.folder / "srv/holdstill/store.yaml").exists()
    assert (shelter.etc / "holdstill/keeper.yaml").exists()


def test_captures_are_deleted_when_the_path_was_typed(shelter: Shelter) -> None:
    shelter.run("keeper", "setup", "--yes")

    shelter.run("keeper", "remove", "--captures", "--confirm", "/srv/holdstill")

    assert list((shelter.folder / "srv").iterdir()) == []
    assert not (shelter.etc / "holdstill/keeper.yaml").exists()


def test_who_is_not_root_is_told_so(tmp_path: Path) -> None:
    done = programs.attempt(
        "setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", *WORDS, "keeper", "setup"
    )

    assert done.returncode == 4
    assert b"sudo holdstill keeper setup" in done.stderr
