"""What a fuzzer calls: every parser that reads bytes from outside, as a function of bytes.

A target returns for whatever is read or refused with an error of ours; anything else that it
raises is a find. Seeds are made from real files. tests/fuzz/run.py drives them.
"""

from __future__ import annotations

import functools
import itertools
import json
import os
import re
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.disks import boot_gap, partition_table
from holdstill.errors import HoldstillError
from holdstill.filesystems import probe
from holdstill.filesystems.ext4 import ext4_reader
from holdstill.filesystems.fat import fat_reader
from holdstill.filesystems.file_tree import Content
from holdstill.filesystems.swap import swap_reader
from holdstill.keeper import forced_command, json_rpc, ledger, strict_json
from holdstill.model import entries as entry_streams
from holdstill.model import names, paths, protocol, settings, sizes, strict_yaml
from holdstill.offsite import bucket_address, head, pack_format, rfc1751
from holdstill.offsite.recovery_key import RecoveryKey
from holdstill.records import attributes, index_check, index_file, manifest_file
from holdstill.workflow import dpkg_status
from support import images, keeping
from support.keeping import Board, FakeClock
from support.memory import Memory

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from holdstill.model.entries import Entry

TOP = Path(__file__).parents[2]
LOGICAL_MAX = 8 << 20
"""Bytes of all files of an image together, more than any of them has."""
PATCH = 8


@dataclass(frozen=True)
class Target:
    """One function under test.

    Attributes:
        run: raises only what is a find.
        seeds: inputs to begin with, from real files.
    """

    run: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]


# Images: too large to be mutated whole, so an input is a list of patches to a real one -----------


@functools.cache
def _used(name: str) -> list[int]:
    """Return the places of an image that are not zero, and their neighbours."""
    content = images.load(name)
    found = [match.start() for match in re.finditer(rb"[^\0]", content)]
    return sorted({min(at + step, len(content) - 8) for at in found for step in (0, 1, 4)})


def _patched(name: str, script: bytes) -> Memory:
    """Apply records of eight bytes: which used place (3), how many bytes (1), the bytes (4)."""
    places, patches = _used(name), []
    for start in range(0, min(len(script), 64 * PATCH) - PATCH + 1, PATCH):
        record = script[start : start + PATCH]
        place = places[int.from_bytes(record[:3], "little") % len(places)]
        patches.append((place, record[4 : 5 + record[3] % 4]))
    return Memory.of(images.load(name)).patched(patches)


def _damaged(which: tuple[str, ...], data: bytes) -> Memory | None:
    if not data:
        return None
    return _patched(which[data[0] % len(which)], data[1:])


def _patch_seeds(which: tuple[str, ...]) -> list[bytes]:
    """Touch each image here and there: one, two and many places, with numbers that hurt."""
    found = []
    for number, name in enumerate(which):
        count = len(_used(name))
        spread = [count * part // 24 for part in range(24)]
        values = itertools.cycle([b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x01\0\0\0", b"\0\0\0\x80"])
        records = [
            at.to_bytes(3, "little") + bytes([3]) + value
            for at, value in zip(spread, values, strict=False)
        ]
        found += [bytes([number]) + record for record in records]
        found.append(bytes([number]) + b"".join(records))
    return found


def _survives(source: Memory, *readers: Callable[[Memory], object]) -> None:
    """Let each reader have a try, and see that it does not run on."""
    for reader in readers:
        before = source.bytes_read
        with suppress(HoldstillError):
            reader(source)
        assert source.bytes_read - before < 64 * source.size + LOGICAL_MAX, "it reads on and on"


def _well_formed(found: Iterable[Entry]) -> None:
    listed = list(found)
    keys = [entry_streams.key(entry) for entry in listed]
    assert keys[0] == (b"", b"")
    assert all(one < other for one, other in itertools.pairwise(keys))
    for entry in listed:
        paths.check_path(entry.path)
        assert bool(entry.digest) == (entry.size > 0)


def _read_ext4(source: Memory) -> object:
    volume = ext4_reader.Ext4Reader(source)
    return volume.parameters(), volume.groups()


def _walk_ext4(source: Memory) -> None:
    _well_formed(ext4_reader.Ext4Reader(source).entries(Content.HASHED, logical_max=LOGICAL_MAX))


def _search_ext4(source: Memory) -> object:
    volume = ext4_reader.Ext4Reader(source)
    return volume.find(b"a/deep/leaf"), volume.children(b"many"), volume.read(b"file", limit=4096)


def _read_fat(source: Memory) -> object:
    volume = fat_reader.FatReader(source)
    return volume.parameters(), volume.is_dirty


def _walk_fat(source: Memory) -> None:
    _well_formed(fat_reader.FatReader(source).entries(Content.HASHED, logical_max=LOGICAL_MAX))


def _search_fat(source: Memory) -> object:
    volume = fat_reader.FatReader(source)
    found = volume.find(b"overlays/inner/empty"), volume.children(b"overlays")
    return found, volume.read(b"config.txt", limit=4096)


def _read_table(source: Memory) -> object:
    disk = partition_table.read(source)
    runs = boot_gap.read(source, disk)
    assert boot_gap.decode(boot_gap.encode(runs)) == runs
    return partition_table.warnings(source)


def fuzz_ext4(data: bytes) -> None:
    source = _damaged(images.EXT, data)
    if source is not None:
        _survives(source, _read_ext4, _search_ext4, _walk_ext4, probe.probe)


def fuzz_fat(data: bytes) -> None:
    source = _damaged(images.FAT, data)
    if source is not None:
        _survives(source, _read_fat, _search_fat, _walk_fat, probe.probe)


def fuzz_table(data: bytes) -> None:
    source = _damaged((*images.TABLES, "swap"), data)
    if source is not None:
        _survives(source, _read_table, probe.table_label, swap_reader.read, probe.probe)


# Small files, mutated whole ----------------------------------------------------------------------


def fuzz_small(data: bytes) -> None:
    """Read short bytes as everything that is short."""
    source = Memory.of(data)
    _survives(source, _read_ext4, _read_fat, _read_table, swap_reader.read, probe.probe)
    with suppress(HoldstillError):
        assert boot_gap.encode(boot_gap.decode(data)) == data
    dpkg_status.installed(data)
    attributes.is_acl(data)
    attributes.is_capability(data)


def _small_seeds() -> list[bytes]:
    mbr, gpt, area = (images.load(name) for name in ("mbr", "gpt", "swap"))
    runs = boot_gap.read(Memory.of(mbr), partition_table.read(Memory.of(mbr)))
    acl = bytes.fromhex(images.ACL)
    stanza = b"Package: rsync\nStatus: install ok installed\nVersion: 3.2.7-1\n\n"
    return [mbr[:512], gpt[: 34 * 512], area[:4096], boot_gap.encode(runs), acl, stanza]


def fuzz_manifest(data: bytes) -> None:
    """Read a manifest whose last line is right: what is behind it must hold by itself."""
    body = data + b"\n"
    whole = body + b"checksum: " + _sha256(body) + b"\n"
    for given in (data, whole):
        with suppress(HoldstillError):
            assert (
                manifest_file.decode(manifest_file.encode(found := manifest_file.decode(given)))
                == found
            )


def _sha256(data: bytes) -> bytes:
    return manifest_file.digest(data).encode()


def _manifest_seeds() -> list[bytes]:
    return [data[: data.rindex(b"\nchecksum: ")] for data in (_capture()[0],)]


def fuzz_settings(data: bytes) -> None:
    for decode in (settings.decode_board_settings, settings.decode_keeper_settings):
        with suppress(HoldstillError):
            decode(data)
    with suppress(HoldstillError):
        strict_yaml.load_yaml(data, "fuzz", limit=settings.LIMIT)


def _settings_seeds() -> list[bytes]:
    return [path.read_bytes() for path in sorted((TOP / "configs").rglob("*.yaml"))]


def fuzz_index(data: bytes) -> None:
    """Check an index as the keeper does; one that passes must be readable to its end."""
    whole = _indexed()
    place = int.from_bytes(data[:3], "little") % len(whole)
    changed = whole[:place] + data[3:] + whole[place + len(data[3:]) :]
    with tempfile.TemporaryDirectory(dir=keeping.MEMORY) as folder:
        path = Path(folder, "index.sqlite")
        path.write_bytes(changed)
        with suppress(HoldstillError):
            _read_index(path)


def _read_index(path: Path) -> None:
    index_check.check(path)
    with index_file.opened(path) as index:
        for part in index.parts():
            _paths_only(index.entries(part))
            index.totals(part)


def _paths_only(found: Iterable[Entry]) -> None:
    keys = []
    for entry in found:
        paths.check_path(entry.path)
        keys.append(entry_streams.key(entry))
    assert all(one < other for one, other in itertools.pairwise(keys))


@functools.cache
def _indexed() -> bytes:
    return _capture()[1]


def _index_seeds() -> list[bytes]:
    """Put pieces of SQLite's own header and pages where they are not."""
    whole = _indexed()
    pieces = [b"\0\0\0\0", b"\xff\xff\xff\xff", whole[:16], whole[4096:4120], b"..", b"\0"]
    return [
        (len(whole) * at // 40).to_bytes(3, "little") + piece
        for at in range(40)
        for piece in pieces
    ]


# What comes over the wire ------------------------------------------------------------------------

PARAMS = (
    json_rpc.Nothing,
    json_rpc.WantedParams,
    json_rpc.IngestParams,
    json_rpc.SealParams,
    json_rpc.NameParams,
)
RESULTS = (protocol.Hello, protocol.RunStarted, protocol.Ingested, protocol.SealResult, bytes, str)


def fuzz_wire(data: bytes) -> None:
    with suppress(HoldstillError):
        value = strict_json.loads(data, limit=protocol.MESSAGE_LIMIT)
        assert strict_json.loads(json.dumps(value).encode(), limit=1 << 30) == value
    with suppress(HoldstillError):
        call = json_rpc.read_call(data)
        for params in PARAMS:
            with suppress(HoldstillError):
                json_rpc.read_params(call, params)
    for result in RESULTS:
        with suppress(HoldstillError):
            json_rpc.read_reply(data, 1, result)


def _wire_seeds() -> list[bytes]:
    wanted = protocol.WantedContent(digest="a" * 64, size=3, basis="b" * 64)
    begun = protocol.RunStarted(run="r" * 16, seq=1, previous="", folders=("c", "d"))
    sealing = json_rpc.SealParams(manifest=b"format: 1\n", signature=b"-----BEGIN")
    return [
        json_rpc.ALIVE,
        json_rpc.call_line(1, "hello", json_rpc.Nothing()),
        json_rpc.call_line(1, "lacking", json_rpc.WantedParams(wanted=(wanted,), folder=0)),
        json_rpc.call_line(1, "ingest", json_rpc.IngestParams(digests=("a" * 64,), folder=1)),
        json_rpc.call_line(1, "seal", sealing),
        json_rpc.call_line(1, "manifest", json_rpc.NameParams(name="000001-20261125T021503Z")),
        json_rpc.result_line(1, begun),
        json_rpc.result_line(1, protocol.Ingested(kept=1, new_bytes=2, bad=("a" * 64,))),
        json_rpc.error_line(1, HoldstillError("deliberate", hint="none")),
        b'{"a":[1.5e3,-0,true,null,"\\ud83d\\ude00"]}',
    ]


def fuzz_words(data: bytes) -> None:
    """Whatever a key asks to run is one of three things, written by ourselves, or refused."""
    text = os.fsdecode(data)
    with suppress(HoldstillError):
        wish = forced_command.parse(text)
        if isinstance(wish, forced_command.ReceiveRequest):
            assert re.fullmatch(r"[a-z0-9]{8,32}", wish.run)
        elif isinstance(wish, forced_command.Fetch):
            assert re.fullmatch(r"[0-9a-f]{16}", wish.folder)
    for check in (names.check_board, names.check_digest, names.check_run, sizes.parse_size):
        with suppress(HoldstillError):
            check(text)


def _words_seeds() -> list[bytes]:
    run, server = "r" * 16, "rsync --server"
    return [
        b"holdstill-control",
        f"{server} -dISe.LsfxCIvu --inplace --timeout=60 . incoming/{run}/contents-0/".encode(),
        f"{server} --sender -de.LsfxCIvu --timeout=60 . outgoing/{'0' * 16}/".encode(),
        b"000042-20261125T021503Z",
        b"pier-3",
        b"12.5 GiB",
    ]


def fuzz_ledger(data: bytes) -> None:
    """Read a ledger; what comes behind it must be sound however it was damaged."""
    found = ledger.parse(data)
    event = ledger.PinnedEvent(capture="000001-20261125T021503Z")
    grown = ledger.parse(data[: found.sound_bytes] + ledger.next_lines(found, [event], at="now"))
    assert len(grown.lines) >= len(found.lines)


def _ledger_seeds() -> list[bytes]:
    return [_capture()[2]]


@functools.cache
def _capture() -> tuple[bytes, bytes, bytes]:
    """Take a capture; return its manifest, its index and the ledger."""
    with tempfile.TemporaryDirectory(dir=keeping.MEMORY) as folder:
        clock = FakeClock()
        store = keeping.make_store(Path(folder, "boathouse"), clock=clock)
        board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
        board.files = {b"srv/%d" % n: b"%d" % n * 9 for n in range(40)} | {b"etc/fstab": b"x"}
        board.raws = {3: b"raw bytes"}
        sealed = board.capture()
        capture = board.keeper.capture(sealed.name)
        lines = (store.board_folder(keeping.PIER_3) / "ledger.jsonl").read_bytes()
        return capture.manifest_bytes(), board.index(seq=1), lines


# What is in somebody's bucket --------------------------------------------------------------------

_HEAD_KEY = bytes(range(32))


def fuzz_offsite(data: bytes) -> None:
    """Read a head, the beginning of a pack, its rows and a record, and words from paper."""
    with suppress(HoldstillError):
        head.open_part(data)
    with suppress(HoldstillError):
        head.decode(data, _HEAD_KEY)
    with suppress(HoldstillError):
        pack_format.sealed_key_of(data[: pack_format.HEADER_SIZE])
    with suppress(HoldstillError):
        rows = list(pack_format.rows_of(data))
        assert b"".join(row.encode() for row in rows) == data
    with suppress(HoldstillError):
        row = pack_format.Row(bytes(32), 0, len(data), 0)
        list(pack_format.open_content(data, row, _HEAD_KEY))
    with suppress(HoldstillError):
        rfc1751.decode(data.decode(errors="replace"))
    with suppress(HoldstillError):
        bucket_address.parse(data.decode(errors="replace"))


def _offsite_seeds() -> list[bytes]:
    told = head.OpenPart(number=1, keeper="0123456789abcdef", previous="", at="")
    key = RecoveryKey(_HEAD_KEY)
    record = pack_format.seal_record(b"content", _HEAD_KEY, 0, bytes(32), segment=0, is_last=True)
    return [
        head.encode(told, head.SealedPart(released=(("pier-3", "000001"),)), _HEAD_KEY),
        pack_format.header(key.of_keeper.seal(_HEAD_KEY)),
        pack_format.Row(bytes(32), 100, 50, 0).encode(),
        record,
        " ".join(key.lines).encode(),
        b"s3+https://objects.example:8333/captures/boathouse",
    ]


TARGETS = {
    "ext4": Target(fuzz_ext4, lambda: _patch_seeds(images.EXT)),
    "fat": Target(fuzz_fat, lambda: _patch_seeds(images.FAT)),
    "table": Target(fuzz_table, lambda: _patch_seeds((*images.TABLES, "swap"))),
    "small": Target(fuzz_small, _small_seeds),
    "manifest": Target(fuzz_manifest, _manifest_seeds),
    "settings": Target(fuzz_settings, _settings_seeds),
    "index": Target(fuzz_index, _index_seeds),
    "wire": Target(fuzz_wire, _wire_seeds),
    "words": Target(fuzz_words, _words_seeds),
    "ledger": Target(fuzz_ledger, _ledger_seeds),
    "offsite": Target(fuzz_offsite, _offsite_seeds),
}
