"""What opens a container, by lines as crypttab(5) of systemd and of Debian have them."""

from __future__ import annotations

import pytest

from holdstill.model import system_tables, unlocking
from holdstill.model.unlocking import ContainerKey, Helper, KeyFile, Unopened


def means(line: str) -> KeyFile | Helper:
    (entry,) = system_tables.parse_crypttab(line)
    return unlocking.of_line(entry)


@pytest.mark.parametrize(
    ("line", "file"),
    [
        ("data UUID=1 /etc/keys/data.key luks", KeyFile("/etc/keys/data.key")),
        (
            "data UUID=1 /key keyfile-offset=512,keyfile-size=64,luks,key-slot=3",
            KeyFile("/key", offset=512, size=64, slot=3),
        ),
        ("data UUID=1 /key keyfile-size=many,key-slot=99", KeyFile("/key")),
        (f"data UUID=1 /key keyfile-size={'9' * 5000},key-slot=x", KeyFile("/key")),
    ],
)
def test_a_key_file_is_the_third_field(line: str, file: KeyFile) -> None:
    assert means(line) == file


def test_the_bytes_that_count_are_those_from_the_offset_on() -> None:
    assert KeyFile("/key", offset=2, size=3).key_in(b"abcdefgh") == b"cde"
    assert KeyFile("/key", offset=2).key_in(b"abcdefgh") == b"cdefgh"


# crypttab(5) of systemd: without a key, /etc/cryptsetup-keys.d/NAME.key is tried. Debian's
# decrypt_keyctl asks, and remembers.
@pytest.mark.parametrize(
    "rest",
    ["", "none", "-", "none luks", "keys luks,keyscript=/lib/cryptsetup/scripts/decrypt_keyctl"],
)
def test_without_a_key_file_one_may_be_at_the_usual_place(rest: str) -> None:
    found = means(f"data UUID=1 {rest}")

    assert found == KeyFile("/etc/cryptsetup-keys.d/data.key", is_needed=False)
    assert unlocking.without_file(found, ()) is None
    assert unlocking.without_file(found, ("systemd-recovery",)) is None


@pytest.mark.parametrize(
    ("line", "words", "asks"),
    [
        ("data UUID=1 - tpm2-device=auto", "the board's TPM", True),
        ("data UUID=1 /sealed tpm2-device=/dev/tpmrm0,luks", "the board's TPM", True),
        ("data UUID=1 - fido2-device=auto", "a FIDO2 token", True),
        ("data UUID=1 x luks,keyscript=/sbin/k", "the program /sbin/k", False),
        ("data UUID=1 /key:UUID=77 luks", "/key on UUID=77", True),
    ],
)
def test_what_else_opens_one_does_not_know_a_container_that_is_made_again(
    line: str, words: str, *, asks: bool
) -> None:
    found = means(line)

    assert isinstance(found, Helper)
    lost = unlocking.without_file(found, ())
    assert lost == Unopened(
        f"{words} opened it, and does not know a container that is made again", asks
    )
    assert ("or fail" in lost.consequence) is not asks


def test_a_key_file_that_is_not_there_is_told_by_its_path() -> None:
    lost = unlocking.without_file(means("data UUID=1 /etc/keys/data.key luks"), ("clevis",))

    assert lost is not None
    assert lost.consequence == (
        "its key file /etc/keys/data.key is not among its files: it may ask for its passphrase, "
        "or fail"
    )


# Kinds of tokens: clevis, clevis-luks-bind(1); systemd, systemd-cryptenroll(1); from memory.
def test_tokens_open_one_as_well() -> None:
    lost = unlocking.by_tokens(("clevis", "other", "systemd-tpm2"))

    assert lost is not None
    assert lost.why.startswith("clevis, a token of the kind other, the board's TPM opened it")
    assert unlocking.by_tokens(("systemd-recovery",)) is None
    assert unlocking.by_tokens(()) is None


def test_a_key_is_not_shown_by_accident() -> None:
    assert "secret" not in repr(ContainerKey(2, "/key", None, b"secret"))
