"""What was encrypted on the card is nowhere in the clear after a rebuild, however that ends.

Twenty secrets are looked for in the image, in temporary folders and in memory files: after a
rebuild, after failed ones, and after one that was killed while its work lay open.
"""

from __future__ import annotations

import os
import signal
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.errors import HoldstillError
from holdstill.model.layout import Ext4
from holdstill.rebuild import compressed_image
from holdstill.rebuild.rebuild_target import Existing
from holdstill.records import index_file
from holdstill.system import process
from holdstill.system.clocks import SystemClock
from holdstill.system.process import Command, LocalRunner
from holdstill.workflow import plan_rebuild, unencrypted_file
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.rebuild_source import RebuildSource
from support import secrets_sought
from support.capture_folder import CaptureFolder
from support.contents import FolderContents, a_folder, in_order
from support.secrets_sought import Secrets
from support.silence import Silent
from tools.test_layers_rebuild import HOME, ROOT, described

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.model.manifest import CapturedPart
    from holdstill.system.process import Runner

pytestmark = pytest.mark.timeout(300)

MIB = 1 << 20
SIZE = 660 * MIB
SECRETS = Secrets()


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder for temporary files, which is this test's own; so is the one in memory."""
    room = tmp_path / "room"
    room.mkdir()
    monkeypatch.setenv("TMPDIR", str(room))
    monkeypatch.setattr("tempfile.tempdir", None)
    return room


@dataclass
class Told(Silent):
    """Is told of each step, and may end it."""

    told: Callable[[str], None]

    def step(self, what: str) -> None:
        self.told(what)


class Watched(LocalRunner):
    """Runs commands, and tells of each that has ended."""

    def __init__(self, told: Callable[[str], None]) -> None:
        self._told = told

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        said = super().run(command, stdin=stdin)
        self._told(str(command))
        return said


def with_attributes(part: CapturedPart) -> CapturedPart:
    system = part.file_system
    if isinstance(system, Ext4):
        system = structs.replace(system, features=(*system.features, "ext_attr"))
    return structs.replace(part, file_system=system)


@contextmanager
def source(folder: Path) -> Iterator[RebuildSource]:
    manifest = described(luks=16 * MIB)
    manifest = structs.replace(manifest, parts=tuple(map(with_attributes, manifest.parts)))
    contents = FolderContents(folder / "content")
    with index_file.created(folder / "index.sqlite") as index:
        for number in (ROOT, HOME):
            rest = SECRETS.entries(contents, b"s") if number == ROOT else ()
            index.put_all(number, in_order((a_folder(b""), *rest)), seq=1)
    with index_file.opened(folder / "index.sqlite") as index:
        yield RebuildSource(CaptureFolder(folder, manifest, contents), manifest, index)


def rebuild(
    folder: Path,
    *,
    step: Callable[[str], None] = lambda _: None,
    ran: Callable[[str], None] = lambda _: None,
    size: int = SIZE,
) -> Path:
    """Rebuild the board with the secrets into an image; what is called may end that."""
    machine: Runner = Watched(ran)
    image = folder / "card.img"
    with source(folder) as made:
        plan = plan_rebuild.plan_rebuild(
            made, size=size, options=PlanOptions(), machine=LocalRunner()
        )
        outside = RebuildDependencies(
            machine, SystemClock(), Told(step), lambda: SECRETS.passphrase
        )
        with compressed_image.claimed_image(image, size=size, existing=Existing.KEEP) as target:
            workflow_rebuild.carry_out(target, plan, made, outside)
    return image


def open_work(room: Path) -> list[str]:
    return secrets_sought.found_in([room], SECRETS.all())


def test_an_image_and_what_is_left_beside_it_have_none_of_the_secrets(
    tmp_path: Path, room: Path
) -> None:
    seen = set[str]()
    image = rebuild(tmp_path, step=lambda _: seen.update(open_work(room)))

    # While it works all but the passphrase is there, or this test would search in vain.
    assert {text.partition(" in ")[0] for text in seen} >= {
        repr(one) for one in SECRETS.all() if one != SECRETS.passphrase
    }
    assert not [text for text in seen if repr(SECRETS.passphrase) in text]
    assert secrets_sought.found_in([image, room], SECRETS.all()) == []
    assert list(room.iterdir()) == []


@pytest.mark.parametrize("at", ["encrypting", "reading everything back"])
def test_a_rebuild_that_fails_leaves_nothing_open(at: str, tmp_path: Path, room: Path) -> None:
    seen = set[str]()

    def fail(what: str) -> None:
        if what.startswith(at):
            seen.update(open_work(room))
            raise OSError(28, os.strerror(28))

    with pytest.raises((HoldstillError, OSError)):
        rebuild(tmp_path, step=fail)

    assert len(seen) >= len(SECRETS.all()) - 1
    assert secrets_sought.found_in([room, tmp_path / "card.img"], SECRETS.all()) == []
    assert list(room.iterdir()) == []


def killed_when(seen: Callable[[str], bool]) -> Callable[[str], None]:
    def look(what: str) -> None:
        if seen(what):
            os.kill(os.getpid(), signal.SIGKILL)

    return look


@pytest.mark.parametrize("stage", ["step", "key"])
def test_a_rebuild_that_is_killed_leaves_nothing_open(
    stage: str, tmp_path: Path, room: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    memory = tmp_path / "memory"
    memory.mkdir()
    monkeypatch.setattr("holdstill.disks.luks_check._SHM", memory)
    by_step = killed_when(lambda what: what.startswith("encrypting") and stage == "step")
    by_key = killed_when(lambda words: "luksDump" in words and stage == "key")

    def doomed() -> None:
        rebuild(tmp_path, step=by_step, ran=by_key)

    pid = process.fork_child(doomed)
    _, status = os.waitpid(pid, 0)

    assert os.WTERMSIG(status) == signal.SIGKILL
    deadline = time.monotonic() + 20
    while open_work(room) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert secrets_sought.found_in([room, tmp_path / "card.img"], SECRETS.all()) == []
    # The key that was just made is in memory still; the next one takes it away, and all else.
    (tmp_path / "card.img").unlink(missing_ok=True)
    for one in tmp_path.glob("index.sqlite*"):
        one.unlink()
    rebuild(tmp_path)
    assert list(room.iterdir()) == []
    assert list(memory.iterdir()) == []


def test_after_a_power_cut_the_next_one_takes_away_what_lay_open(
    tmp_path: Path, room: Path
) -> None:
    left = room / "holdstill-inside-of-before"
    left.mkdir()
    (left / "inside").write_bytes(SECRETS.contents[0])

    unencrypted_file.made(MIB).remove()

    assert list(room.iterdir()) == []


def test_only_its_owner_can_enter_where_it_is_made(room: Path) -> None:
    made = unencrypted_file.made(MIB)
    try:
        assert made.path.parent.stat().st_mode & 0o777 == 0o700
        assert made.path.stat().st_mode & 0o777 == 0o600
    finally:
        made.remove()
        made.remove()
    assert list(room.iterdir()) == []
