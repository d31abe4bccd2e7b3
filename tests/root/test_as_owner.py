"""Commands on a store by others than its owner: root becomes the owner, all others are told."""

from __future__ import annotations

import grp
import hashlib
import os
import pwd
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from holdstill.errors import PreflightError
from holdstill.keeper import store_owner
from holdstill.model.store_address import FolderAddress
from holdstill.system.clocks import SystemClock
from holdstill.workflow import enrol_board
from support import keeping, keys, programs
from support.keeping import FakeClock
from support.signed_store import SignedStore

HOLDSTILL = Path(sys.executable).with_name("holdstill")
OWNER, GROUP, STRANGER = 4242421, 4242422, 4242423
pytestmark = pytest.mark.timeout(120)


@dataclass(frozen=True)
class Host:
    """A machine with the user `harbour`, of the group `quay` as well, whose the store is.

    The user is known only in a mount namespace, where other files take the place of /etc/passwd
    and /etc/group. The store's parent is open to that group alone: who becomes the owner without
    the groups finds nothing.
    """

    folder: Path

    @property
    def store(self) -> Path:
        return self.folder / "quay/store"

    def prepare(self) -> None:
        home = self.folder / "home"
        home.mkdir(mode=0o755)
        os.chown(home, OWNER, OWNER)
        passwd = Path("/etc/passwd").read_text(encoding="utf-8")
        for user, name in ((OWNER, "harbour"), (STRANGER, "stranger")):
            passwd += f"{name}:x:{user}:{user}::{home}:/bin/sh\n"
        (self.folder / "passwd").write_text(passwd, encoding="utf-8")
        group = Path("/etc/group").read_text(encoding="utf-8") + f"quay:x:{GROUP}:harbour\n"
        (self.folder / "group").write_text(group, encoding="utf-8")
        self.store.parent.mkdir(mode=0o710)
        os.chown(self.store.parent, 0, GROUP)
        for folder in (self.folder, *list(self.folder.parents)[:-2]):
            folder.chmod(folder.stat().st_mode | 0o011)
        (self.folder / "root-home").mkdir()

    def run(
        self,
        *words: object,
        user: int = 0,
        given: Path = Path(os.devnull),
        is_read_only: bool = False,
    ) -> subprocess.CompletedProcess[bytes]:
        """Run the product as root, or as another user; given is its standard input."""
        script = 'mount --bind "$1/passwd" /etc/passwd && mount --bind "$1/group" /etc/group && '
        if is_read_only:
            script += 'mount --bind "$1/quay/store" "$1/quay/store" && '
            script += 'mount --options remount,bind,ro "$1/quay/store" && '
        become = () if user == 0 else ("setpriv", f"--reuid={user}", f"--regid={user}",
                                       "--init-groups")  # fmt: skip
        with given.open("rb") as stdin:
            return subprocess.run(
                ["unshare", "--mount", "sh", "-c", script + 'shift && exec "$@"', "sh",
                 self.folder, *become, HOLDSTILL, *map(str, words)],
                env={**os.environ, "HOME": str(self.folder / "root-home")},
                stdin=stdin, capture_output=True, check=False, timeout=100,
            )  # fmt: skip

    def foreign(self) -> list[Path]:
        """Return all in the store that is not its owner's."""
        return [path for path in self.store.rglob("*") if path.lstat().st_uid != OWNER]


@pytest.fixture
def host(tmp_path: Path) -> Host:
    """A store of `harbour` with the board pier-3 and two captures."""
    made = Host(tmp_path)
    made.prepare()
    (tmp_path / "made").mkdir()
    signed = SignedStore(tmp_path / "made")
    signed.enrol("pier-3")
    for reading in (b"12.5", b"12.6"):
        signed.capture("pier-3", {b"f": reading}, clock=FakeClock(SystemClock().now()))
    shutil.move(signed.root, made.store)
    programs.run("chown", "-R", f"{OWNER}:{OWNER}", made.store)
    assert made.foreign() == []
    (tmp_path / "keeper.yaml").write_text(f"store: {made.store}\n", encoding="utf-8")
    return made


def succeed(done: subprocess.CompletedProcess[bytes]) -> str:
    assert done.returncode == 0, (done.stdout + done.stderr).decode()
    return done.stdout.decode()


def test_h12_f2_root_changes_a_store_and_nothing_in_it_is_roots(host: Host) -> None:
    keys.make_key(host.folder / "slipway")
    store = ("--store", host.store)

    for words in (
        ("thin", "--apply", *store),
        ("verify", *store),
        ("pin", "pier-3/000001", *store),
        ("unpin", "pier-3/000001", *store),
        ("keeper", "recount", host.store),
        ("keeper", "accept", host.store, "pier-3", "--reason", "tried"),
        ("keeper", "watch", "--settings", host.folder / "keeper.yaml"),
        ("keeper", "enrol", host.store, "slipway-1", "--key", host.folder / "slipway.pub"),
        ("keeper", "retire", host.store, "slipway-1"),
    ):
        succeed(host.run(*words))
        assert host.foreign() == [], words

    for command in (("list",), ("verify",), ("thin", "--apply")):
        succeed(host.run(*command, *store, user=OWNER))


def test_h12_the_key_is_let_into_the_owners_authorized_keys_and_not_into_roots(
    host: Host,
) -> None:
    key = keys.make_key(host.folder / "slipway")
    (host.folder / "slipway.pub").chmod(0o600)  # root's: the owner could not read it

    words = ("keeper", "enrol", host.store, "slipway-1", "--let-in", "--key")

    refused = host.run(*words, host.folder / "slipway.pub")
    succeed(host.run(*words, "-", given=host.folder / "slipway.pub"))

    assert refused.returncode == 2
    assert b"--key - < FILE" in refused.stderr
    path = host.folder / "home/.ssh/authorized_keys"
    assert key.public in path.read_text(encoding="ascii")
    assert {path.stat().st_uid, path.parent.stat().st_uid} == {OWNER}
    assert list((host.folder / "root-home").iterdir()) == []


def test_s11_where_the_keys_are_roots_root_is_told_the_line_and_where_it_goes(
    host: Host,
) -> None:
    """The layout of systemd/tmpfiles.d: whoever gets at the store cannot add a key."""
    key = keys.make_key(host.folder / "slipway")
    (host.folder / "slipway.pub").chmod(0o644)
    folder = host.folder / "home/.ssh"
    folder.mkdir(mode=0o755, exist_ok=True)
    (folder / "authorized_keys").unlink(missing_ok=True)
    os.chown(folder, 0, 0)

    done = host.run(
        "keeper", "enrol", host.store, "slipway-1", "--let-in", "--key",
        host.folder / "slipway.pub",
    )  # fmt: skip

    said = " ".join(done.stderr.decode().split())
    assert done.returncode == 4
    assert "slipway-1 is enrolled, but not let in" in said
    assert f"As root, add this line to {folder}/authorized_keys: " in said
    assert key.public in said
    assert list(folder.iterdir()) == []


def test_h12_a_store_that_root_makes_in_the_owners_directory_is_the_owners(host: Host) -> None:
    other = host.store.with_name("other")
    other.mkdir(mode=0o700)
    os.chown(other, OWNER, OWNER)

    succeed(host.run("keeper", "init", other))

    assert {path.lstat().st_uid for path in other.rglob("*")} == {OWNER}


@pytest.mark.parametrize("words", [("thin",), ("verify",), ("pin", "pier-3/000001")])
def test_h12_another_user_is_told_the_line_to_type(host: Host, words: tuple[str, ...]) -> None:
    host.store.parent.chmod(0o711)
    before = keeping.snapshot(host.store)

    done = host.run(*words, "--store", host.store, user=STRANGER)

    line = f"`sudo -u harbour holdstill {' '.join(words)} --store {host.store}`"
    assert done.returncode == 4
    assert line in done.stderr.decode()
    assert keeping.snapshot(host.store) == before


@pytest.mark.parametrize(
    "words",
    [
        ("retire", "pier-3"), ("recount",), ("accept", "pier-3", "--reason", "x"), ("init",),
        ("enrol", "pier-4", "--key", "pier-4.pub"),
    ],
)  # fmt: skip
def test_h12_another_user_is_told_the_line_to_type_where_he_may_not_even_look(
    host: Host, words: tuple[str, ...]
) -> None:
    host.store.parent.chmod(0o711)
    host.store.chmod(0o700)
    command, *rest = words
    typed = ("keeper", command, str(host.store), *rest)

    done = host.run(*typed, user=STRANGER)

    assert done.returncode == 4
    assert f"`sudo -u harbour holdstill {shlex.join(typed)}`" in done.stderr.decode()


def test_f2_what_root_reads_stays_as_it_is(host: Host) -> None:
    before = keeping.snapshot(host.store)
    store = ("--store", host.store)

    for words in (
        ("list", *store),
        ("show", "pier-3", *store),
        ("find", "f", *store),
        ("get", "pier-3", "2:/f", "--to", host.folder / "f", *store),
        ("compare", "pier-3/1", "pier-3/2", *store),
        ("thin", *store),
        ("status", "--settings", host.folder / "none", "--keeper-settings",
         host.folder / "keeper.yaml"),
    ):  # fmt: skip
        assert host.run(*words).returncode in {0, 8}, words

    assert (host.folder / "f").read_bytes() == b"12.6"
    assert (host.folder / "f").stat().st_uid == 0
    assert keeping.snapshot(host.store) == before
    assert host.foreign() == []


def test_h12_a_boards_root_does_not_capture_into_another_users_store(host: Host) -> None:
    before = keeping.snapshot(host.store)

    with pytest.raises(PreflightError, match=f"is user #{OWNER}'s") as refused:
        enrol_board.ask_host_key(FolderAddress(host.store))

    assert "ssh://USER@localhost" in refused.value.hint
    assert keeping.snapshot(host.store) == before


def test_a_store_of_ones_own_is_nobody_elses(tmp_path: Path) -> None:
    keeping.make_store(tmp_path / "store", clock=FakeClock())

    assert not store_owner.is_a_stranger(tmp_path / "store")
    assert not store_owner.is_a_stranger(tmp_path / "nothing here")


def test_the_users_of_these_tests_are_in_no_list_outside() -> None:
    assert not {OWNER, STRANGER} & {user.pw_uid for user in pwd.getpwall()}
    assert GROUP not in {group.gr_gid for group in grp.getgrall()}


def test_an_empty_mount_point_of_roots_is_no_store_and_nobody_is_sent_to_root(host: Host) -> None:
    """The disk is not mounted: making a store there would be the worst that could be done."""
    host.store.rename(host.store.with_name("away"))
    host.store.mkdir(mode=0o755)

    looked = host.run("verify", "--store", host.store, user=OWNER)
    made = host.run("keeper", "init", host.store, user=OWNER)

    assert (looked.returncode, made.returncode) == (2, 4)
    said = looked.stderr.decode()
    assert said.index("mount that first") < said.index("keeper init")
    line = f"`sudo chown harbour {host.store}`"
    assert (
        f"mount it first; else give the directory to the user who is to keep the store: {line}"
        in (made.stderr.decode())
    )
    assert b"-u root" not in looked.stderr + made.stderr
    assert list(host.store.iterdir()) == []


def test_m18_a_file_of_roots_in_the_store_is_given_back_by_the_line_that_is_told(
    host: Host,
) -> None:
    ledger = host.store / "boards/pier-3/ledger.jsonl"
    os.chown(ledger, 0, 0)
    ledger.chmod(0o600)

    refused = host.run("pin", "pier-3/000001", "--store", host.store, user=OWNER)

    assert refused.returncode not in {0, 70}
    said = " ".join(refused.stderr.decode().split())
    assert f"`sudo chown -R harbour {ledger}` gives it back" in said


def test_m18_a_part_that_is_another_users_is_named_whole_with_the_line_that_gives_it_back(
    host: Host,
) -> None:
    """The folder of a board was put back by root, and has its own modes."""
    part = host.store / "boards/pier-3"
    programs.run("chown", "-R", "0:0", part)
    part.chmod(0o700)
    line = f"`sudo chown -R harbour {part}`"

    for words in (("verify",), ("thin",)):
        refused = host.run(*words, "--store", host.store)

        assert refused.returncode == 4, words
        assert line in " ".join((refused.stdout + refused.stderr).decode().split()), words
        assert b"run this as root" not in refused.stdout + refused.stderr

    programs.run("chown", "-R", f"{OWNER}:{OWNER}", part)
    succeed(host.run("verify", "--store", host.store))


@pytest.mark.parametrize("mode", [0o700, 0o755])
def test_m19_a_board_whose_folder_is_another_users_is_shut_out_and_what_is_wrong_is_told(
    host: Host, mode: int
) -> None:
    part, lines = host.store / "boards/pier-3", host.folder / "home/.ssh/authorized_keys"
    key = keys.make_key(host.folder / "newer").public
    words = ("keeper", "enrol", host.store, "pier-3", "--replace-key", "--let-in", "--key", "-")
    succeed(host.run(*words, given=host.folder / "newer.pub"))
    assert key in lines.read_text(encoding="ascii")
    programs.run("chown", "-R", "0:0", part)
    (part / "enrolment.yaml").chmod(0o600)
    part.chmod(mode)
    line = f"`sudo chown -R harbour {part}`"

    retired = host.run("keeper", "retire", host.store, "pier-3")
    accepted = host.run("keeper", "accept", host.store, "pier-3", "--reason", "restored")

    for done in (retired, accepted):
        assert done.returncode == 4
        assert line in " ".join(done.stderr.decode().split())
    assert b"1 line with `--board pier-3` went out of" in retired.stderr
    assert lines.read_text(encoding="ascii") == ""


@pytest.mark.parametrize("kind", ["open", "shut", "link"])
def test_h12_a_store_is_its_folders_owners_whoever_put_back_its_first_file(
    host: Host, kind: str
) -> None:
    """Root's copy of store.yaml sends nobody to root, and root does not go to work there."""
    facts = host.store / "store.yaml"
    facts.rename(host.folder / "store.yaml")
    if kind == "link":
        facts.symlink_to(host.folder / "store.yaml")
    else:
        shutil.copy(host.folder / "store.yaml", facts)
        facts.chmod(0o644 if kind == "open" else 0o600)
    settings = host.folder / "keeper.yaml"
    line = f"`sudo chown -R harbour {facts}`"
    status = ("status", "--settings", host.folder / "none", "--keeper-settings", settings)

    commands = (
        ("verify", "--store", host.store), ("thin", "--apply", "--store", host.store),
        ("keeper", "watch", "--settings", settings), status,
    )  # fmt: skip

    for words in commands:
        by_root, by_owner = host.run(*words), host.run(*words, user=OWNER)

        assert {path for path in host.foreign() if path != facts} == set(), words
        roots, owners = (
            " ".join((done.stdout + done.stderr).decode().split()) for done in (by_root, by_owner)
        )
        assert "sudo holdstill" not in roots + owners
        if words[0] != "thin" or kind == "shut":
            wanted = "put what it points to in its place" if kind == "link" else line
            assert wanted in roots, words
            assert wanted in owners, words
            assert by_owner.returncode == (4 if kind == "shut" else 8), words


def test_m15_root_tries_alarms_and_is_told_what_the_keepers_timers_may_not_read(
    host: Host,
) -> None:
    addresses = host.folder / "notify-urls"
    addresses.write_text("json://127.0.0.1:9/\n", encoding="ascii")
    addresses.chmod(0o600)
    settings = host.folder / "keeper.yaml"
    text = f"store: {host.store}\nnotify:\n  urls_file: {addresses}\n"
    settings.write_text(text, encoding="utf-8")
    words = ("try-alarms", "--settings", host.folder / "none.yaml", "--keeper-settings", settings)
    complaint = f"user harbour, as whom the keeper's timers run, may not read {addresses}"

    roots = host.run(*words)
    os.chown(addresses, OWNER, OWNER)
    owners = host.run(*words)

    assert roots.returncode == 8
    assert complaint in " ".join(roots.stderr.decode().split())
    assert complaint not in " ".join(owners.stderr.decode().split())


def test_a_repair_says_what_is_still_to_do_and_does_not_advise_itself(host: Host) -> None:
    digest = hashlib.sha256(b"12.6").hexdigest()
    (host.store / "content" / digest[:2] / digest).unlink()

    done = host.run("verify", "--repair", "--store", host.store)

    said = " ".join((done.stdout + done.stderr).decode().split())
    assert done.returncode == 7
    assert f"{digest}: awaited" in said
    assert "run `holdstill capture` on the boards" in said
    assert "verify --repair" not in said


def test_a_key_is_shut_out_of_the_owners_authorized_keys_though_the_store_is_read_only(
    host: Host,
) -> None:
    public = (host.folder / "made/pier-3.pub").read_bytes()
    lines = host.folder / "home/.ssh/authorized_keys"
    lines.parent.mkdir(mode=0o700)
    lines.write_bytes(public)
    programs.run("chown", "-R", f"{OWNER}:{OWNER}", lines.parent)
    retire = ("keeper", "retire", host.store, "pier-3")

    told = host.run(*retire, user=STRANGER, is_read_only=True)
    kept = lines.read_bytes()
    done = host.run(*retire, is_read_only=True)

    assert told.returncode != 0
    assert kept == public
    assert done.returncode == PreflightError.exit_code, done
    assert f"1 line with a withdrawn key went out of {lines}" in done.stdout.decode()
    assert b"when it can be written, type the same again" in done.stderr
    assert lines.read_bytes() == b""
    assert not (host.folder / "root-home/.ssh").exists()


@pytest.mark.parametrize("place", ["boards/pier-4", "boards/pier-3/captures/{name}"])
def test_a_folder_that_the_owner_may_not_enter_keeps_nobody_else_from_being_judged(
    host: Host, place: str
) -> None:
    (host.store / "boards/pier-4/captures").mkdir(parents=True)
    (host.store / "boards/pier-4/ledger.jsonl").touch()
    programs.run("chown", "-R", f"{OWNER}:{OWNER}", host.store / "boards/pier-4")
    oldest = min(path.name for path in host.store.glob("boards/pier-3/captures/*"))
    locked = host.store / place.format(name=oldest)
    locked.chmod(0)

    verified = host.run("verify", "--store", host.store)  # root becomes the owner
    watched = host.run("keeper", "watch", "--settings", host.folder / "keeper.yaml")

    assert b"contents, " in verified.stdout, verified
    assert b"\n0 contents" not in b"\n" + verified.stdout
    assert b" of 2 boards" in watched.stdout, watched
    for done in (verified, watched):
        assert os.fsencode(locked) in done.stdout + done.stderr, done
