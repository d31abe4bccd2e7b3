"""Boot checks of boards whose containers open by key files, or by what a rebuild cannot make."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.model import system_tables
from holdstill.rebuild.boot import namespace, unlocked
from holdstill.rebuild.boot.card import BootVolume
from holdstill.rebuild.boot.report import LinkState
from unit.rebuild.boot.test_system_folder import Tree, card_of, system_in
from unit.rebuild.test_layers import LUKS

if TYPE_CHECKING:
    from holdstill.model.layout import Luks
    from holdstill.rebuild.boot.report import ChainLink

OK, MISSING, UNKNOWN = LinkState.OK, LinkState.MISSING, LinkState.UNKNOWN
SPEC = f"UUID={LUKS.uuid}"


def link(
    line: str, *, remade: Luks | None = LUKS, keys: dict[bytes, bytes] | None = None
) -> ChainLink:
    """Return what a boot check says of a line of crypttab."""
    fstab = {b"etc/fstab": b"UUID=k /keys ext4 defaults 0 2\n"}
    card = card_of({**system_in(b""), b"etc/keys/real": b"0123", **fstab})
    more = (
        BootVolume(number=3, kind="crypto_LUKS", uuid=LUKS.uuid, remade=remade),
        BootVolume(number=4, kind="ext4", uuid="k", tree=Tree(keys or {})),
    )
    card = replace(card, volumes=(*card.volumes, *more))
    (entry,) = system_tables.parse_crypttab(line)
    (only,) = unlocked.links(card, namespace.of(card, card.volumes[0]), entry)
    return only


@pytest.mark.parametrize(
    ("line", "state", "is_required", "said"),
    [
        (f"data {SPEC} none luks", OK, True, "asks for its passphrase"),
        (f"data {SPEC} /etc/keys/real luks", OK, True, "by the key file /etc/keys/real"),
        (f"data {SPEC} /keys/a luks", OK, True, "by the key file /keys/a"),
        (f"data {SPEC} /keys/b luks", MISSING, True, "key file /keys/b is not among its files"),
        (f"data {SPEC} /etc/keys/real keyfile-offset=4", MISSING, True, "is not among its files"),
        (f"data {SPEC} /keys/b luks,nofail", MISSING, False, "is not among its files"),
        (f"data {SPEC} - tpm2-device=auto", MISSING, False, "TPM opened it"),
        (f"data {SPEC} x keyscript=/sbin/k", MISSING, True, "the program /sbin/k opened it"),
    ],
)
def test_a_line_says_what_comes_of_it(
    line: str, state: LinkState, *, is_required: bool, said: str
) -> None:
    found = link(line, keys={b"a": b"key"})

    assert (found.state, found.is_required, found.name) == (state, is_required, "crypttab data")
    assert said in found.detail


def test_of_a_container_that_is_as_it_was_its_other_means_are_unknown() -> None:
    found = link(f"data {SPEC} - tpm2-device=auto", remade=None)

    assert found.state is UNKNOWN
    assert not found.breaks


def test_tokens_that_opened_one_are_gone() -> None:
    bound = structs.replace(LUKS, tokens=("clevis",))

    found = link(f"data {SPEC} none luks", remade=bound)
    assert "clevis opened it" in found.detail
    assert not found.breaks


def test_a_container_on_a_logical_volume_is_found_by_its_name() -> None:
    card = card_of(system_in(b""))
    inner = BootVolume(number=502, kind="crypto_LUKS", mapped=("/dev/vg/data",), remade=LUKS)
    card = replace(card, volumes=(*card.volumes, inner))
    (entry,) = system_tables.parse_crypttab("data /dev/vg/data /none luks")

    (only,) = unlocked.links(card, namespace.of(card, card.volumes[0]), entry)
    assert only.breaks
