"""What is in the way of a command is told before it begins, and all of it at once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError, HoldstillError, LinkError, PreflightError, SecurityError
from holdstill.model import settings as model_settings
from holdstill.model.protocol import PROTOCOL, Hello
from holdstill.model.store_address import FolderAddress, HostAddress
from holdstill.system import debian_packages
from holdstill.system.process import LocalRunner
from holdstill.workflow import before_start, needed_programs
from support import captured

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.model.settings import BoardSettings

AWAY = HostAddress("keeper", "boathouse")


def settings_of(folder: Path) -> BoardSettings:
    return model_settings.decode_board_settings(
        f"board: pier-3\nkeeper: {AWAY}\nkey: {folder}/key\nhost_keys: {folder}/pins\n".encode()
    )


def test_a_board_without_programs_key_and_pin_hears_of_all_three(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(debian_packages, "PATH", str(tmp_path))

    found = before_start.of_board(settings_of(tmp_path))

    with pytest.raises(SecurityError) as caught:
        before_start.refuse(found)
    told = str(caught.value)
    assert told.startswith("3 things are in the way, and nothing was begun:\n")
    assert "missing programs on this machine: rsync, ssh-keygen, ssh" in told
    assert "`sudo apt-get install openssh-client rsync`" in told
    assert f"cannot use the key {tmp_path}/key: No such file or directory" in told
    assert f"no host key of {AWAY} is pinned" in told


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_a_key_that_others_may_read_is_refused_as_ssh_will(tmp_path: Path, mode: int) -> None:
    key = tmp_path / "key"
    key.touch(mode=0o600)
    good = before_start.of_key(key)
    key.chmod(mode)

    (bad,) = before_start.of_key(key)

    assert good == []
    assert "others may read" in str(bad)
    assert bad.hint.startswith(f"`sudo chmod 600 {key}`")


def test_a_board_with_all_of_it_hears_nothing(tmp_path: Path) -> None:
    (tmp_path / "key").touch(mode=0o600)
    (tmp_path / "pins").write_text(f"boathouse ssh-ed25519 {'A' * 68}\n", "ascii")

    assert before_start.of_board(settings_of(tmp_path)) == []
    before_start.refuse([])


def test_what_a_keeper_lacks_is_told_with_its_packages() -> None:
    hello = Hello(
        protocol=PROTOCOL, board="pier-3", free_bytes=1, free_inodes=1, now="", missing=("rsync",)
    )

    (error,) = before_start.of_keeper(hello)

    assert str(error) == "missing programs at the keeper: rsync"
    assert error.hint == "on Debian: `sudo apt-get install rsync`"


@pytest.mark.parametrize(
    ("found", "kind"),
    [
        ([LinkError("one")], LinkError),
        ([LinkError("one"), PreflightError("two")], PreflightError),
        ([LinkError("one"), SecurityError("two")], SecurityError),
        ([PreflightError("one"), BusyError("two")], BusyError),
    ],
)
def test_one_is_told_as_it_is_and_several_by_the_gravest(
    found: Sequence[HoldstillError], kind: type[HoldstillError]
) -> None:
    with pytest.raises(HoldstillError) as caught:
        before_start.refuse(found)

    assert type(caught.value) is kind


def test_what_is_sent_over_ssh_needs_ssh_and_what_goes_into_a_folder_does_not() -> None:
    assert "ssh" in needed_programs.of_capture(AWAY)
    assert "ssh" not in needed_programs.of_capture(FolderAddress(Path("/mnt/usb")))
    assert needed_programs.of_reading(FolderAddress(Path("/mnt/usb"))) == ("ssh-keygen",)


def test_a_rebuild_needs_what_its_file_systems_and_its_packing_need() -> None:
    manifest = captured.pier_3()

    plain = needed_programs.of_rebuild(manifest, Path("card.img"), LocalRunner())
    packed = needed_programs.of_rebuild(manifest, Path("card.img.zst"), LocalRunner())

    assert {"sfdisk", "mke2fs", "e2fsck", "mkfs.vfat"} <= {*plain}
    assert {*packed} - {*plain} == {"zstd"}
