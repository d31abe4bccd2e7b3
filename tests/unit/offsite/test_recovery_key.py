import hashlib
from contextlib import suppress

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from nacl import bindings

from holdstill.errors import SecurityError, UsageError
from holdstill.offsite import rfc1751
from holdstill.offsite.recovery_key import KeeperKeys, RecoveryKey

VECTORS = [
    ("EB33F77EE73D4053", "TIDE ITCH SLOW REIN RULE MOT"),
    (
        "CCAC2AED591056BE4F90FD441C534766",
        "RASH BUSH MILK LOOK BAD BRIM AVID GAFF BAIT ROT POD LOVE",
    ),
    (
        "EFF81F9BFBC65350920CDD7416DE8009",
        "TROD MUTE TAIL WARM CHAR KONG HAAG CITY BORE O TEAL AWL",
    ),
]
"""RFC 1751, the examples that end its text."""


@pytest.mark.parametrize(("data", "words"), VECTORS)
def test_the_examples_of_the_rfc(data: str, words: str) -> None:
    assert " ".join(rfc1751.encode(bytes.fromhex(data))) == words
    assert rfc1751.decode(words) == bytes.fromhex(data)


def test_the_list_has_2048_words_of_at_most_four_letters_short_ones_first() -> None:
    words = rfc1751.words()

    assert len(set(words)) == len(words) == 2048
    assert all(1 <= len(word) <= 4 and word.isupper() for word in words)
    # RFC 1751: the words of one to three letters are the first 571, and both parts are sorted.
    assert [len(word) == 4 for word in words] == [False] * 571 + [True] * 1477
    assert list(words[:571]) == sorted(words[:571])
    assert list(words[571:]) == sorted(words[571:])


@given(st.binary(min_size=32, max_size=32))
def test_what_is_written_down_is_read_back(seed: bytes) -> None:
    key = RecoveryKey(seed)

    assert len(key.lines) == 5
    assert RecoveryKey.of_words("\n".join(key.lines).lower()).seed == seed
    # As it was printed before there was a line that checks the others.
    assert RecoveryKey.of_words("\n".join(key.lines[:4])).seed == seed


@given(st.binary(min_size=8, max_size=8), st.integers(0, 5), st.integers(0, 2047))
def test_a_wrong_word_is_found_by_parity_or_makes_another_key(
    data: bytes, place: int, other: int
) -> None:
    words = list(rfc1751.encode(data))
    words[place] = rfc1751.words()[other]

    with suppress(UsageError):
        found = rfc1751.decode(" ".join(words))
        assert (found == data) == (tuple(words) == rfc1751.encode(data))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "0 words"),
        ("TIDE ITCH SLOW REIN RULE", "5 words"),
        ("TIDE ITCH SLOW REIN RULE MOTH", "parity|wrong"),
        ("TIDE ITCH SLOW REIN RULE HOLDSTILL", "not a word"),
        ("ITCH TIDE SLOW REIN RULE MOT", "wrong"),
    ],
)
def test_what_is_not_right_is_named(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        RecoveryKey.of_words(text)


def test_digits_are_read_for_the_letters_that_they_look_like() -> None:
    assert rfc1751.decode("T1DE".replace("1", "I") + " ITCH 5L0W REIN RULE M0T") == (
        bytes.fromhex("EB33F77EE73D4053")
    )


def test_a_key_is_sealed_as_the_documents_of_libsodium_say() -> None:
    # crypto_box_seal: ephemeral_pk || box(m, recipient_pk, ephemeral_sk,
    # nonce=blake2b(ephemeral_pk || recipient_pk)), the nonce of 24 bytes.
    # (doc.libsodium.org, Sealed boxes, Algorithm details)
    key = RecoveryKey(bytes(range(32)))
    recipient = key.of_keeper.recipient
    private = hashlib.blake2b(bytes(range(32)), digest_size=32, person=b"holdstill box").digest()

    sealed = key.of_keeper.seal(b"k" * 32)

    ephemeral, box = sealed[:32], sealed[32:]
    nonce = hashlib.blake2b(ephemeral + recipient, digest_size=24).digest()
    assert bindings.crypto_box_open(box, nonce, ephemeral, private) == b"k" * 32
    assert key.unseal(sealed) == b"k" * 32


def test_what_the_keeper_has_opens_nothing() -> None:
    key = RecoveryKey(bytes(range(32)))
    heads = key.of_keeper.heads

    assert heads not in {key.seed, bytes(32), key.of_keeper.recipient}
    assert heads == (
        hashlib.blake2b(bytes(range(32)), digest_size=32, person=b"holdstill heads").digest()
    )


@pytest.mark.parametrize("length", [0, 16, 31, 33, 64])
def test_a_key_of_another_size_is_none(length: int) -> None:
    key = RecoveryKey(bytes(range(32)))

    with pytest.raises(SecurityError, match="size"):
        key.unseal(key.of_keeper.seal(bytes(length)))


@given(st.binary(max_size=100))
def test_anything_for_a_sealed_key_is_refused_in_words(data: bytes) -> None:
    with pytest.raises(SecurityError, match="not sealed for this one"):
        RecoveryKey(bytes(range(32))).unseal(data)


@given(st.binary(min_size=32, max_size=32), st.permutations(range(5)))
def test_lines_in_another_order_are_no_key(seed: bytes, order: list[int]) -> None:
    lines = RecoveryKey(seed).lines
    mixed = [lines[at] for at in order]
    assume(mixed != list(lines))

    with pytest.raises(UsageError, match="do not belong together"):
        RecoveryKey.of_words(" ".join(mixed))


@given(st.binary(min_size=32, max_size=32), st.integers(0, 23), st.integers(0, 2047))
def test_a_wrong_word_whose_parity_is_right_is_found(seed: bytes, place: int, other: int) -> None:
    words = " ".join(RecoveryKey(seed).lines).split()
    assume(words[place] != rfc1751.words()[other])
    words[place] = rfc1751.words()[other]

    with pytest.raises(UsageError):
        RecoveryKey.of_words(" ".join(words))


def test_the_last_line_on_paper_is_a_digest_of_the_others() -> None:
    check = hashlib.blake2b(bytes(range(32)), digest_size=8, person=b"holdstill paper").digest()

    assert rfc1751.decode(RecoveryKey(bytes(range(32))).lines[-1]) == check


@given(st.binary(min_size=32, max_size=32))
def test_the_keepers_part_is_read_as_it_was_printed(seed: bytes) -> None:
    keys = RecoveryKey(seed).of_keeper

    assert KeeperKeys.of_text(f" {keys.text}\n") == keys


def test_a_character_that_was_mistyped_in_the_keepers_part_is_found() -> None:
    text = RecoveryKey(bytes(range(32))).of_keeper.text
    typed = [text[:at] + other + text[at + 1 :] for at in range(len(text)) for other in "Ab3+"]

    for wrong in {*typed} - {text}:
        with pytest.raises(UsageError, match="not copied as it was"):
            KeeperKeys.of_text(wrong)


@pytest.mark.parametrize("text", ["", "AA==", "ö", "A" * 92, "A" * 90])
def test_what_is_no_keepers_part_is_refused_in_words(text: str) -> None:
    with pytest.raises(UsageError, match="not the keeper's part"):
        KeeperKeys.of_text(text)


def test_a_proof_is_of_one_keeper_and_one_key() -> None:
    one, other = RecoveryKey(bytes(32)).of_keeper, RecoveryKey(bytes(range(32))).of_keeper
    mistyped = one._replace(recipient=other.recipient)

    proofs = {keys.proof(keeper) for keys in (one, other, mistyped) for keeper in "ab"}

    assert len(proofs) == 6
