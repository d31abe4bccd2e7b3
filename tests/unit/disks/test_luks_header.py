from __future__ import annotations

import pytest

from holdstill.disks import luks_header
from holdstill.errors import LayoutError
from holdstill.model.layout import Luks
from support.recorded_layers import LUKS_1, LUKS_2, Recorded


def test_headers_say_what_luksdump_said() -> None:
    assert luks_header.read(LUKS_2) == Luks(
        version=2, uuid="09d51ea3-634d-4111-acdd-1ddb86de7e40", label="vault",
        cipher="aes-xts-plain64", key_bits=512, sector_size=512, hash="sha256",
        first_byte=16777216, kdf="pbkdf2", kdf_time=1000,
    )  # fmt: skip
    assert luks_header.read(LUKS_1) == Luks(
        version=1, uuid="8ca578f9-d3eb-495b-89f0-0336c26f1907", cipher="aes-xts-plain64",
        key_bits=512, hash="sha256", first_byte=4096 * 512, kdf="pbkdf2", kdf_time=1000,
    )  # fmt: skip


@pytest.mark.parametrize("source", [LUKS_1, LUKS_2], ids=["1", "2"])
def test_nothing_of_a_key_is_in_what_is_kept(source: Recorded) -> None:
    kept = str(luks_header.read(source))

    assert "salt" not in kept
    assert "digest" not in kept
    assert len(kept) < 300  # names and numbers: a key alone has 128 digits


@pytest.mark.parametrize(
    ("at", "content", "why"),
    [
        (0, b"X", "no LUKS header"),
        (6, b"\0\3", "version 3"),
        (8, b"\xff" * 8, "impossible size"),
        (4096, b"{]", "damaged"),
    ],
)
def test_what_is_no_header_is_refused(at: int, content: bytes, why: str) -> None:
    with pytest.raises(LayoutError, match=why):
        luks_header.read(LUKS_2.changed(at, content))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'"type":"crypt"', b'"type":"linear"'),
        (b'"iv_tweak":"0"', b'"iv_tweak":"8"'),
        (b'"segments":{"0"', b'"segment_":{"0"'),
    ],
)
def test_a_container_of_another_kind_is_refused(old: bytes, new: bytes) -> None:
    text = LUKS_2.read(4096, 12288)
    at = text.index(old)
    changed = text[:at] + new + text[at + len(old) :]

    with pytest.raises(LayoutError, match="LUKS"):
        luks_header.read(LUKS_2.changed(4096, changed[:12288]))


@pytest.mark.parametrize(
    "words",
    [
        b"[" * 12_000,
        b'{"a":' * 2_400,
        (
            b'{"segments":{"0":{"type":"crypt","iv_tweak":"0","encryption":"aes-xts-plain64",'
            b'"sector_size":512,"offset":"1"}},"keyslots":{"0":{"key_size":1e999,"kdf":{"type":"x"}}},'
            b'"digests":{"0":{"hash":"sha256","segments":["0"],"keyslots":["0"]}}}'
        ),
    ],
)
def test_words_that_overflow_are_refused(words: bytes) -> None:
    class Hostile:
        size = LUKS_2.size

        def read(self, offset: int, length: int) -> bytes:
            whole = LUKS_2.read(0, 4096) + words + bytes(16384)
            return whole[offset : offset + length]

    with pytest.raises(LayoutError, match="damaged"):
        luks_header.read(Hostile())
