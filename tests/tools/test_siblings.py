"""What a sibling gets, by the word of the programs that will read it: mkimage and ssh-keygen."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from holdstill.rebuild import references
from holdstill.rebuild.hostkeys import KINDS, SshKeygen, bits_of
from holdstill.rebuild.references import Ids
from holdstill.system.process import LocalRunner
from support import programs

if TYPE_CHECKING:
    from pathlib import Path

SCRIPT = b"setenv bootargs root=PARTUUID=9a3c5d2e-02 rootwait\nbooti ${kernel_addr_r}\n"


def made_by_mkimage(folder: Path, text: bytes) -> bytes:
    (folder / "boot.cmd").write_bytes(text)
    words = ("-A", "arm64", "-O", "linux", "-T", "script", "-C", "none", "-n", "pier-3")
    command = ("env", "SOURCE_DATE_EPOCH=1700000000", "mkimage", *words)
    programs.run(*command, "-d", folder / "boot.cmd", folder / "boot.scr")
    return (folder / "boot.scr").read_bytes()


@pytest.mark.parametrize("new", ["0badcafe-02", "aaaaaaaa-bbbb-4ccc-8ddd-eeeeeeeeeeee"])
def test_a_boot_script_becomes_what_mkimage_would_have_made(tmp_path: Path, new: str) -> None:
    old = made_by_mkimage(tmp_path, SCRIPT)

    found = references.rewrite("boot.scr", old, Ids({"9a3c5d2e-02": new}))

    assert references.script_text(old) == SCRIPT
    assert found is not None
    wanted = made_by_mkimage(tmp_path, SCRIPT.replace(b"9a3c5d2e-02", new.encode()))
    assert found.content == wanted
    (tmp_path / "new.scr").write_bytes(found.content)
    assert b"AArch64 Linux Script" in programs.run("mkimage", "-l", tmp_path / "new.scr")


@pytest.mark.parametrize("kind", KINDS)
def test_a_new_host_key_is_one_for_ssh_keygen(tmp_path: Path, kind: str) -> None:
    bits = {"rsa": 2048, "ecdsa": 384}.get(kind, 0)

    pair = SshKeygen(LocalRunner()).make(kind, bits=bits, comment="root@pier-4")

    key = tmp_path / "key"
    key.write_bytes(pair.private)
    key.chmod(0o600)
    public = programs.run("ssh-keygen", "-y", "-f", key)
    assert public.split()[:2] == pair.public.split()[:2]
    assert pair.public.endswith(b" root@pier-4\n")
    (tmp_path / "key.pub").write_bytes(pair.public)
    said = programs.run("ssh-keygen", "-l", "-f", tmp_path / "key.pub").decode()
    assert re.match(rf"{bits or 256} SHA256:\S+ root@pier-4 \({kind}\)", said, re.IGNORECASE)
    assert bits_of(pair.public) == bits


def test_no_two_keys_are_alike() -> None:
    maker = SshKeygen(LocalRunner())

    first, second = (maker.make("ed25519", bits=0, comment="x") for _ in range(2))

    assert first.private != second.private
