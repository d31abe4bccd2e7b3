"""Rebuilds that leave out what the store no longer has whole: a card of an Arm board whose
firmware reads a FAT, captured from loop devices, and a store whose contents are spoilt one by one.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.disks import partition_table
from holdstill.errors import VerificationError
from holdstill.filesystems.ext4 import ext4_reader
from holdstill.filesystems.fat import fat_reader
from holdstill.filesystems.file_tree import Content
from holdstill.keeper import store as stores
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model.entries import EntryType
from holdstill.model.names import BoardName
from holdstill.rebuild import compressed_image
from holdstill.rebuild.rebuild_target import Existing
from holdstill.records import capture_contents
from holdstill.system import byte_source
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import plan_rebuild, rebuild_source, skip_damaged
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from support import boards, boot_card, command_line, keys, loop
from support.boards import Board, holdstill
from support.corrupt_files import WAYS, altered, altered_inside, shortened, spoilt, stored
from support.silence import Silent

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.workflow.rebuild_source import RebuildSource

pytestmark = pytest.mark.timeout(180)
LEDGER = b"1.42 m\n" * 9000
TONIGHT = b"1.47 m\n" * 9000
LARGE = b"1.52 m\n" * 400_000
WITH_HOLES = b"1.57 m\n" + bytes(2 << 20) + b"1.62 m\n" * 9000
KERNEL = boot_card.FIRMWARE["kernel8.img"]
FSTAB = boot_card.SYSTEM["etc/fstab"]
HOSTNAME = b"pier-3\n"
USAGE, VERIFICATION, DEGRADED, REFUSED, TARGET_FAILED = 2, 7, 8, 10, 11


@dataclass(frozen=True)
class Kept:
    """A store with two captures, and the private key that the board's SSH server has."""

    store: Path
    host_key: bytes

    def attached(self, capture: int) -> list[Path]:
        """Return the contents that a capture's index and boot gap consist of."""
        shelf = BoardCaptures(stores.open_store(self.store), BoardName("pier-3"), LocalRunner())
        stated = shelf.capture(shelf.briefs()[capture - 1].name)
        found = capture_contents.attached(stated, stated.manifest())
        return [self.named(digest) for digest, _ in found]

    def of_files(self) -> set[Path]:
        """Return the contents that only files have."""
        everything = set((self.store / "content").glob("*/*"))
        return everything.difference(self.attached(1), self.attached(2))

    def named(self, digest: bytes) -> Path:
        """Return where a content lies, by its digest."""
        return self.store / "content" / digest.hex()[:2] / digest.hex()

    def place(self, content: bytes) -> Path:
        """Return where a content lies."""
        return stored(self.store, content)

    def rebuilt(
        self, *words: object, capture: str = "pier-3", leave_out: bool = True
    ) -> subprocess.CompletedProcess[bytes]:
        """Run a rebuild."""
        told = ["rebuild", capture, *words, "--store", self.store]
        told += ["--leave-out-damaged"] * leave_out
        return command_line.attempt(*told)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    folder = tmp_path_factory.mktemp("leaving")
    key = keys.make_key(folder / "ssh_host_ed25519_key", comment="root@pier-3")
    parts = boot_card.firmware_card()
    parts.root |= {
        "etc/hostname": HOSTNAME,
        "etc/ssh/ssh_host_ed25519_key": key.private.read_bytes(),
        "etc/ssh/ssh_host_ed25519_key.pub": f"{key.public} root@pier-3\n".encode(),
        "var/lib/gauge/ledger": LEDGER,
    }
    image = boot_card.make(folder, parts)
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.partition(2), folder / "mnt") as root,
        loop.thaw_guard(root, seconds=120),
        boards.kept(folder, Board(disk, root)) as at,
    ):
        for name in ("ledger-1", "ledger-2"):
            (root / "var/lib/gauge" / name).hardlink_to(root / "var/lib/gauge/ledger")
        holdstill("capture", "--settings", at.settings)
        (root / "var/lib/gauge/tonight").write_bytes(TONIGHT)
        (root / "var/lib/gauge/large").write_bytes(LARGE)
        with (root / "var/lib/gauge/holes").open("wb") as sparse:
            sparse.write(WITH_HOLES[:7])
            sparse.seek(7 + (2 << 20))
            sparse.write(WITH_HOLES[7 + (2 << 20) :])
        holdstill("capture", "--settings", at.settings)
        yield Kept(at.store, key.private.read_bytes())


def files_on(image: Path) -> dict[str, bytes]:
    """Return the digests of all files on a card, by partition and path."""
    found = {}
    with byte_source.opened(image) as card:
        for number, read in ((1, fat_reader.FatReader), (2, ext4_reader.Ext4Reader)):
            place = partition_table.read(card).partition(number)
            volume = read(card.window(place.start * 512, place.size * 512))
            for entry in volume.entries(Content.HASHED):
                if entry.type is EntryType.FILE:
                    found[f"{number}:/{entry.path.decode()}"] = entry.digest
    return found


@pytest.mark.parametrize("spoil", WAYS)
def test_every_name_of_a_damaged_file_is_left_out_and_nothing_else(
    kept: Kept, tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    image = tmp_path / "card.img"
    with spoilt(kept.place(LEDGER), spoil=spoil):
        done = kept.rebuilt(image, "--json")

    said = json.loads(done.stdout)
    names = [line.partition(":")[0] for line in said["left_out"]]
    assert done.returncode == DEGRADED
    assert names == [f"/var/lib/gauge/{name}" for name in ("ledger", "ledger-1", "ledger-2")]
    assert said["checked_entries"] == said["entries"]
    assert said["bootable"]
    there = files_on(image)
    assert {name for name in there if "gauge" in name} == {
        f"2:/var/lib/gauge/{name}" for name in ("tonight", "large", "holes")
    }
    assert there["2:/var/lib/gauge/tonight"] == hashlib.sha256(TONIGHT).digest()
    assert there["2:/etc/hostname"] == hashlib.sha256(HOSTNAME).digest()


@pytest.mark.parametrize("content", [TONIGHT, KERNEL], ids=["ext4", "fat"])
@pytest.mark.parametrize("spoil", WAYS)
def test_without_a_word_about_them_damaged_files_are_no_reason_to_write_anything_else(
    kept: Kept, tmp_path: Path, spoil: Callable[[Path], None], content: bytes
) -> None:
    with spoilt(kept.place(content), spoil=spoil):
        done = kept.rebuilt(tmp_path / "card.img", leave_out=False)

    name = b"/var/lib/gauge/tonight" if content is TONIGHT else b"/kernel8.img"
    assert done.returncode in {VERIFICATION, TARGET_FAILED}
    assert name in done.stderr
    assert b"--leave-out-damaged" in done.stderr
    assert not (tmp_path / "card.img").exists()


def test_a_card_that_does_not_boot_without_its_kernel_is_said_not_to(
    kept: Kept, tmp_path: Path
) -> None:
    with spoilt(kept.place(KERNEL)):
        done = kept.rebuilt(tmp_path / "card.img", "--json")

    said = json.loads(done.stdout)
    assert done.returncode == DEGRADED
    assert [line.partition(": ")[0] for line in said["left_out"]] == ["1:/kernel8.img"]
    assert not said["bootable"]
    assert any("kernel8.img" in line for line in said["boot_trouble"])
    assert "1:/kernel8.img" not in files_on(tmp_path / "card.img")
    assert "1:/config.txt" in files_on(tmp_path / "card.img")


def test_of_a_store_without_any_whole_content_the_rest_is_rebuilt(
    kept: Kept, tmp_path: Path
) -> None:
    with spoilt(*kept.of_files(), spoil=shortened):
        done = kept.rebuilt(tmp_path / "card.img", "--json")

    said = json.loads(done.stdout)
    assert done.returncode == DEGRADED
    assert len(said["left_out"]) > 20
    assert said["checked_entries"] == said["entries"] > 10
    assert set(files_on(tmp_path / "card.img").values()) == {b""}


def test_an_older_capture_is_whole_when_only_the_newer_one_has_what_is_damaged(
    kept: Kept, tmp_path: Path
) -> None:
    with spoilt(kept.place(TONIGHT)):
        newer = kept.rebuilt(tmp_path / "newer.img", "--json", capture="pier-3/2")
        older = kept.rebuilt(tmp_path / "older.img", "--json", capture="pier-3/1")

    assert (newer.returncode, older.returncode) == (DEGRADED, 0)
    assert len(json.loads(newer.stdout)["left_out"]) == 1
    assert json.loads(older.stdout)["left_out"] == []


def test_a_sibling_has_its_own_keys_and_lacks_what_cannot_be_changed(
    kept: Kept, tmp_path: Path
) -> None:
    image = tmp_path / "card.img"
    with spoilt(*map(kept.place, (FSTAB, HOSTNAME, kept.host_key, LEDGER))):
        done = kept.rebuilt(image, "--as", "pier-4", "--json")

    said, there = json.loads(done.stdout), files_on(image)
    names = {line.partition(":")[0] for line in said["left_out"]}
    assert done.returncode == DEGRADED
    assert {"/etc/fstab", "/etc/hostname", "/var/lib/gauge/ledger"} <= names
    assert "/etc/ssh/ssh_host_ed25519_key" not in names
    assert there["2:/etc/ssh/ssh_host_ed25519_key"] != hashlib.sha256(kept.host_key).digest()
    assert "2:/etc/fstab" not in there
    assert any("ssh_host_ed25519_key: host key" in line for line in said["changes"])


@pytest.mark.parametrize(
    ("which", "what"), [(0, b"the list of index.sqlite"), (1, b"a piece of index.sqlite")]
)
def test_a_damaged_index_is_refused_for_nothing_can_be_left_out_of_it(
    kept: Kept, tmp_path: Path, which: int, what: bytes
) -> None:
    with spoilt(kept.attached(2)[which]):
        done = kept.rebuilt(tmp_path / "card.img", capture="pier-3/2")

    assert done.returncode == VERIFICATION
    assert what in done.stderr
    assert not (tmp_path / "card.img").exists()


def test_what_would_be_missing_is_told_by_a_dry_run(kept: Kept, tmp_path: Path) -> None:
    with spoilt(kept.place(LEDGER)):
        shown = kept.rebuilt(tmp_path / "card.img", "--dry-run")
        data = kept.rebuilt(tmp_path / "card.img", "--dry-run", "--json")

    assert (shown.returncode, data.returncode) == (DEGRADED, DEGRADED)
    assert b"LEFT OUT" in shown.stdout
    assert b"/var/lib/gauge/ledger-2" in shown.stdout
    assert len(json.loads(data.stdout)["left_out"]) == 3
    assert not (tmp_path / "card.img").exists()


def test_what_will_be_missing_is_told_before_a_card_is_claimed(kept: Kept, tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=2 * boot_card.SIZE)
    with loop.attached(image) as card, spoilt(kept.place(LEDGER)):
        done = kept.rebuilt(card.device)

    assert done.returncode == REFUSED
    assert b"/var/lib/gauge/ledger-2: its bytes are not what its name says" in done.stderr
    assert done.stderr.index(b"LEFT OUT") < done.stderr.index(b"--confirm")


def test_a_store_elsewhere_is_refused(kept: Kept, tmp_path: Path) -> None:
    words = ("rebuild", "pier-3", tmp_path / "card.img", "--leave-out-damaged")

    done = command_line.attempt(*words, "--store", "ssh://keeper@boathouse")

    assert done.returncode == USAGE
    assert b"run it at the keeper, into an image" in done.stderr


@contextmanager
def whole(kept: Kept) -> Iterator[RebuildSource]:
    """Hold the newest capture, in which nothing is damaged yet."""
    shelf = BoardCaptures(stores.open_store(kept.store), BoardName("pier-3"), LocalRunner())
    newest = shelf.newest_good()
    assert newest is not None
    with rebuild_source.opened(shelf.capture(newest.name)) as found:
        yield skip_damaged.without(found, skip_damaged.damaged(found, Silent()))


def carry_out(made: RebuildSource, image: Path, tell: Silent) -> None:
    size, machine = boot_card.SIZE, LocalRunner()
    plan = plan_rebuild.plan_rebuild(made, size=size, options=PlanOptions(), machine=machine)
    with compressed_image.claimed_image(image, size=size, existing=Existing.KEEP) as target:
        workflow_rebuild.carry_out(
            target, plan, made, RebuildDependencies(machine, SystemClock(), tell)
        )


@pytest.mark.parametrize(
    ("content", "spoil"),
    [
        (TONIGHT, altered),
        (KERNEL, altered),
        (LARGE, altered_inside),
        (WITH_HOLES, altered_inside),
    ],
    ids=["ext4", "fat", "large", "sparse"],
)
def test_what_is_damaged_after_the_look_is_found_and_the_store_is_blamed(
    kept: Kept, tmp_path: Path, content: bytes, spoil: Callable[[Path], None]
) -> None:
    image = tmp_path / "card.img"
    with (
        whole(kept) as made,
        spoilt(kept.place(content), spoil=spoil),
        pytest.raises(VerificationError, match=r"is not the captured one: .*SHA-256$") as caught,
    ):
        carry_out(made, image, Silent())

    assert "--leave-out-damaged" in caught.value.hint
    assert not image.exists()


class Meddler(Silent):
    """Alters what is on the target before it is read back."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def step(self, what: str) -> None:
        if what != "reading everything back":
            return
        (draft,) = (path for path in self._folder.iterdir() if path.is_file())
        place = draft.read_bytes().index(TONIGHT[:4096])
        with draft.open("r+b") as target:
            target.seek(place)
            target.write(b"9")


def test_what_the_target_does_not_give_back_is_blamed_on_the_card(
    kept: Kept, tmp_path: Path
) -> None:
    with (
        whole(kept) as made,
        pytest.raises(VerificationError, match=r"differs .* 1 places:\n.*/tonight") as caught,
    ):
        carry_out(made, tmp_path / "card.img", Meddler(tmp_path))

    assert "the card is failing" in caught.value.hint


def test_both_are_blamed_where_both_are_at_fault(kept: Kept, tmp_path: Path) -> None:
    with (
        whole(kept) as made,
        spoilt(kept.place(LEDGER)),
        pytest.raises(VerificationError, match=r"ledger is not .* others; and in 1 other place"),
    ):
        carry_out(made, tmp_path / "card.img", Meddler(tmp_path))
