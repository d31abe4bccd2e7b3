"""Boards with LVM and LUKS under root, captured while they write, rebuilt and really booted.

Captured by the agent in an emulated machine, whose kernel has device-mapper; rebuilt here, where
there is none. The gauge of a rebuilt board notes what it finds before it writes again: so a board
that comes up tells whether all its files, on two volumes, are of one instant.

The captures are kept for the next run (support/vm/layers.py): the tests may be run one at a time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from support.vm import board, evidence, here, kinds, layers, machine

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = [pytest.mark.timeout(3600), pytest.mark.slow]

NEW_PASSPHRASE = "ebb and flow"  # noqa: S105  of a test


@pytest.fixture(scope="module")
def kept(copied_store: Callable[[Path], Path]) -> Path:
    """Return a folder with a store of both boards' captures."""
    return copied_store(layers.captured())


def alive(
    image: Path, card: board.Card, *, passphrase: str = ""
) -> tuple[str, str, machine.Machine]:
    """Boot what was rebuilt up to a login; return its mounts and what its console said."""
    firmware = machine.from_uefi(image)
    with machine.booted(card, firmware, hardware=layers.HARDWARE, passphrase=passphrase) as pier:
        pier.run("sh", "-c", "until systemctl -q is-active tide-gauge; do sleep 1; done")
        found = evidence.decode(pier.run("cat", "/run/tide-gauge/found.json"))
        assert evidence.broken_promises(found) == []
        assert found.database.count > 1
        table = "findmnt -rno TARGET,SOURCE,FSTYPE; swapon --noheadings --show=NAME,TYPE"
        mounts = pier.run("sh", "-c", table).decode()
        console = pier.console
        pier.stop()
        return mounts, console, pier


@pytest.mark.parametrize("size", ["1700M", "4G"])
def test_a_root_on_logical_volumes_boots_smaller_and_larger(
    size: str, kept: Path, layered: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    image = tmp_path / "card.img"
    with layers.store(kept) as store:
        report = here.rebuilt(layers.LVM.name, image, store, "--size", size)
    assert report["bootable"], report
    assert report["checked_entries"] == report["entries"]

    mounts, console, pier = alive(image, layered)

    measured(f"LVM at {size}: login after {pier.seconds_to_login} s")
    assert "/ /dev/mapper/board--vg-root ext4" in mounts
    assert "/srv /dev/mapper/board--vg-srv ext4" in mounts
    assert "/dev/dm-" in mounts.splitlines()[-1]  # the swap volume
    assert kinds.MARKER in console


def test_a_root_in_a_container_boots_with_the_new_passphrase_typed_at_the_console(
    kept: Path, layered: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    image, words = tmp_path / "card.img", tmp_path / "passphrase"
    words.write_text(f"{NEW_PASSPHRASE}\n")
    with layers.store(kept) as store:
        report = here.rebuilt(
            layers.LUKS.name, image, store, "--size", "1300M", "--passphrase-file", words
        )
    assert report["bootable"], report
    assert "crypttab data: the key file /etc/keys/data.key opens it as before" in f"{report}"

    mounts, console, pier = alive(image, layered, passphrase=NEW_PASSPHRASE)

    measured(f"LUKS: login after {pier.seconds_to_login} s, one passphrase typed")
    assert "/ /dev/mapper/cryptroot ext4" in mounts
    # By the key file of its line in crypttab; the passphrase was typed once.
    assert "/data /dev/mapper/data ext4" in mounts
    assert "unlock disk cryptroot" in console
    assert "cryptsetup: cryptroot: set up successfully" in console
    assert NEW_PASSPHRASE not in console
    assert kinds.MARKER in console


def test_on_request_the_same_boots_unencrypted(
    kept: Path, layered: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    image = tmp_path / "card.img"
    with layers.store(kept) as store:
        report = here.rebuilt(layers.LUKS.name, image, store, "--plain")
    assert report["bootable"], report
    assert "NOT ENCRYPTED" in f"{report}"

    mounts, console, pier = alive(image, layered)

    measured(f"made plain: login after {pier.seconds_to_login} s")
    assert "/ /dev/vda3 ext4" in mounts
    assert "/data /dev/vda2 ext4" in mounts
    assert kinds.MARKER in console
