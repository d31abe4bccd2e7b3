import base64
import hashlib
import os
import struct
import tempfile
import time
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nacl import bindings

from holdstill.errors import DamagedContentError, SecurityError
from holdstill.offsite import pack_format, seal_ahead
from holdstill.offsite.pack_format import Row
from holdstill.offsite.pack_writer import Pack, PackWriter
from holdstill.offsite.recovery_key import RecoveryKey

KEY = RecoveryKey(bytes(range(32)))
POOL = seal_ahead.pool()
MEMORY = "/dev/shm"  # noqa: S108  where files cost no disk


def digest(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()


def add(writer: PackWriter, data: bytes, named: bytes | None = None) -> None:
    with tempfile.TemporaryFile(dir=MEMORY) as file:
        file.write(data)
        file.flush()
        writer.add(named or digest(data), file.fileno())


def packed(*contents: bytes) -> tuple[Pack, bytes]:
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        writer = PackWriter(Path(folder, "pack"), KEY.of_keeper, POOL)
        for content in contents:
            add(writer, content)
        pack = writer.finish()
        return pack, Path(folder, "pack").read_bytes()


def rows(pack: Pack) -> list[Row]:
    return list(pack_format.rows_of(pack.rows))


def read(data: bytes, row: Row, key: bytes) -> bytes:
    return b"".join(pack_format.open_content(data[row.offset : row.offset + row.length], row, key))


def test_what_cannot_be_packed_is_stored_as_it_is_and_what_can_be_is_packed() -> None:
    noise, text = os.urandom(1 << 20), b"a line of a log, and another one\n" * (1 << 15)
    mixed = noise[: 1 << 19] + text[: 1 << 19]
    short = noise[: 100 << 10]

    pack, data = packed(noise, text, mixed, short)

    # A record has its length (4 bytes), how it is packed (1), and the tag of the seal (16).
    lengths = [row.length for row in rows(pack)]
    assert [lengths[0] - len(noise), lengths[3] - len(short)] == [21, 21]
    assert lengths[1] < len(text) // 50
    assert lengths[2] < 0.55 * len(mixed)
    key = RecoveryKey(bytes(range(32))).unseal(pack.sealed_key)
    assert [read(data, row, key) for row in rows(pack)] == [noise, text, mixed, short]


def test_packing_all_of_a_noise_would_take_longer() -> None:
    """What is stored as it is was tried in slices: some hundredths of its bytes are packed."""
    noise = os.urandom(4 << 20)

    begin = time.thread_time()
    zlib.compress(noise, 1)
    whole = time.thread_time() - begin
    begin = time.thread_time()
    pack_format.seal_record(noise, bytes(32), 0, bytes(32), segment=0, is_last=True)

    assert time.thread_time() - begin < 0.6 * whole


def by_the_document(data: bytes) -> list[bytes]:
    """Read a pack as its document says, by nothing of the package's; return what is sealed."""
    magic, version, sealed = struct.unpack_from(">16sI80s", data)
    assert (magic, version) == (b"holdstill pack\0\0", 1)
    return [sealed, *_records(data[100:])]


def _records(data: bytes) -> list[bytes]:
    found = []
    while data:
        (length,) = struct.unpack_from(">I", data)
        found.append(data[4 : 4 + length])
        data = data[4 + length :]
    return found


def test_xchacha20_poly1305_is_that_of_its_draft() -> None:
    # draft-irtf-cfrg-xchacha-03, A.3.1
    text = (
        b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the "
        b"future, sunscreen would be it."
    )
    sealed = bindings.crypto_aead_xchacha20poly1305_ietf_encrypt(
        text,
        bytes.fromhex("50515253c0c1c2c3c4c5c6c7"),
        bytes(range(0x40, 0x58)),
        bytes(range(0x80, 0xA0)),
    )

    assert sealed.hex() == (
        "bd6d179d3e83d43b9576579493c0e939572a1700252bfaccbed2902c21396cbb731c7f1b0b4aa6440bf3a82f4e"
        "da7e39ae64c6708c54c216cb96b72e1213b4522f8c9ba40db5d945b11b69b982c1bb9e3f3fac2bc369488f76b2"
        "383565d3fff921f9664c97637da9768812f615c68b13b52ec0875924c1c7987947deafd8780acf49"
    )


@given(st.lists(st.binary(min_size=1, max_size=3000), unique=True, min_size=1, max_size=12))
def test_what_is_packed_comes_back(contents: list[bytes]) -> None:
    pack, data = packed(*contents)
    key = KEY.unseal(pack_format.sealed_key_of(data[: pack_format.HEADER_SIZE]))

    assert pack.name == hashlib.sha256(data).hexdigest()
    assert pack.md5 == base64.b64encode(hashlib.md5(data).digest()).decode()  # noqa: S324
    assert pack.size == len(data)
    assert key == KEY.unseal(pack.sealed_key)
    assert [row.digest for row in rows(pack)] == [digest(content) for content in contents]
    assert [read(data, row, key) for row in rows(pack)] == contents


def test_the_bytes_of_a_pack_are_as_its_document_says() -> None:
    text, noise = b"text " * 1000, os.urandom(100)
    pack, data = packed(text, noise)

    sealed, *records = by_the_document(data)

    key = KEY.unseal(sealed)
    assert pack.sealed_key == sealed
    plain = [
        bindings.crypto_aead_xchacha20poly1305_ietf_decrypt(
            record, digest(content) + struct.pack(">IB", 0, 1), number.to_bytes(24), key
        )
        for number, (content, record) in enumerate(zip((text, noise), records, strict=True))
    ]
    assert plain[0][:1] == b"\1"
    assert zlib.decompress(plain[0][1:]) == text
    assert plain[1] == b"\0" + noise


@pytest.mark.parametrize("more", [-1, 0, 1])
def test_a_large_content_is_several_records(more: int) -> None:
    content = os.urandom(1 << 16) * (pack_format.SEGMENT // (1 << 15))
    content = content[: len(content) + more] if more <= 0 else content + b"x"
    pack, data = packed(b"before", content, b"after")
    key = KEY.unseal(pack.sealed_key)

    assert [row.first for row in rows(pack)] == [0, 1, 3 + (more > 0)]
    assert read(data, rows(pack)[1], key) == content


def test_each_pack_has_a_key_of_its_own() -> None:
    (first, one), (second, other) = packed(b"same"), packed(b"same")

    assert KEY.unseal(first.sealed_key) != KEY.unseal(second.sealed_key)
    assert one[100:] != other[100:]


@given(st.data())
def test_a_changed_byte_is_never_taken(data: st.DataObject) -> None:
    pack, sealed = packed(b"one" * 50, b"two" * 50)
    row = data.draw(st.sampled_from(rows(pack)))
    at = data.draw(st.integers(row.offset, row.offset + row.length - 1))
    change = data.draw(st.integers(1, 255))
    key = KEY.unseal(pack.sealed_key)

    altered = sealed[:at] + bytes([sealed[at] ^ change]) + sealed[at + 1 :]

    with pytest.raises(SecurityError):
        read(altered, row, key)


@given(st.data())
def test_a_record_of_another_content_or_place_is_never_taken(data: st.DataObject) -> None:
    pack, sealed = packed(*(bytes([number]) * 70 for number in range(6)))
    held = rows(pack)
    one, other = data.draw(st.permutations(held))[:2]
    key = KEY.unseal(pack.sealed_key)
    wrong = data.draw(
        st.sampled_from(
            [
                one._replace(digest=other.digest),
                one._replace(first=other.first),
                one._replace(offset=other.offset, length=other.length),
                one._replace(length=one.length - 1),
                one._replace(length=one.length + 1),
            ]
        )
    )

    with pytest.raises(SecurityError):
        read(sealed + b"\0", wrong, key)


def test_a_content_cut_after_a_record_is_never_taken() -> None:
    content = os.urandom(pack_format.SEGMENT) + b"the end"
    pack, data = packed(content)
    (row,) = rows(pack)
    key = KEY.unseal(pack.sealed_key)
    first = 4 + struct.unpack_from(">I", data, row.offset)[0]

    with pytest.raises(SecurityError, match="altered"):
        read(data, row._replace(length=first), key)


def test_a_record_that_unpacks_to_more_than_it_may_is_never_taken() -> None:
    bomb = b"\1" + zlib.compress(bytes(pack_format.SEGMENT + 1))
    name = digest(b"bomb")
    record = bindings.crypto_aead_xchacha20poly1305_ietf_encrypt(
        bomb, name + struct.pack(">IB", 0, 1), bytes(24), bytes(32)
    )
    data = struct.pack(">I", len(record)) + record

    with pytest.raises(SecurityError, match="another way"):
        read(data, Row(name, 0, len(data), 0), bytes(32))


def test_contents_of_many_sizes_come_out_as_they_went_in() -> None:
    """Small ones in one job, large ones in several: sealed side by side, written in order."""
    sizes = (0, 1, 70, 300 << 10, pack_format.SEGMENT, 5, (9 << 20) + 7, 2 * pack_format.SEGMENT)
    contents = [os.urandom(size) for size in sizes] + [b"%d" % n * 99 for n in range(5000)]
    pack, data = packed(*contents)
    key = KEY.unseal(pack.sealed_key)

    assert [row.digest for row in rows(pack)] == list(map(digest, contents))
    assert [read(data, row, key) for row in rows(pack)] == contents
    assert (hashlib.sha256(data).hexdigest(), len(data)) == (pack.name, pack.size)


def test_a_pack_of_which_a_part_could_not_be_written_is_never_complete(tmp_path: Path) -> None:
    """As a disk that fails once: what was taken for added is not in it."""
    writer = PackWriter(tmp_path / "pack", KEY.of_keeper, POOL)
    add(writer, b"first")
    whole = writer._file
    with open("/dev/full", "wb", buffering=0) as full:  # noqa: PTH123  a device
        writer._file = full  # type: ignore[assignment]
        with pytest.raises(OSError, match="No space left"):
            writer.finish()
    writer._file = whole
    with pytest.raises(OSError, match="No space left"):
        writer.finish()
    writer.close()


def test_a_damaged_content_gets_no_row() -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        writer = PackWriter(Path(folder, "pack"), KEY.of_keeper, POOL)
        add(writer, b"good")
        with pytest.raises(DamagedContentError):
            add(writer, b"damaged", digest(b"as it was"))
        add(writer, b"also good")
        pack = writer.finish()
        data = Path(folder, "pack").read_bytes()

    key = KEY.unseal(pack.sealed_key)
    assert [read(data, row, key) for row in rows(pack)] == [b"good", b"also good"]


@given(st.binary(max_size=200))
def test_anything_for_a_pack_is_refused_in_words(data: bytes) -> None:
    with pytest.raises(SecurityError):
        pack_format.sealed_key_of(data[: pack_format.HEADER_SIZE])
    with pytest.raises(SecurityError):
        read(data, Row(bytes(32), 0, len(data), 0), bytes(32))
