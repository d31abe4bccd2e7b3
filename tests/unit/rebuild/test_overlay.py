from __future__ import annotations

import hashlib
import os
import tracemalloc
from typing import TYPE_CHECKING

from holdstill.model.entries import Entry, EntryType, Omitted
from holdstill.rebuild.overlay import Overlay
from support.captured import CapturedFiles

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def test_an_entry_gets_its_new_content_and_keeps_all_else(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    old = files.add(2, "etc/hostname", "pier-3\n", mode=0o600)
    overlay = Overlay({(2, b"etc/hostname"): b"slipway-1\n"})

    adjusted = {entry.path: entry for entry in overlay.adjusted(2, files.entries(2))}

    digest = hashlib.sha256(b"slipway-1\n").digest()
    assert adjusted[b"etc/hostname"] == old._replace(size=10, digest=digest)
    assert list(adjusted) == [entry.path for entry in files.entries(2)]


def test_the_same_path_of_another_partition_is_left_alone(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    files.add(3, "etc/hostname", "pier-3\n")
    overlay = Overlay({(2, b"etc/hostname"): b"x"}, frozenset({(2, b"etc")}))

    assert list(overlay.adjusted(3, files.entries(3))) == files.entries(3)


def test_a_removed_file_is_gone_and_a_directory_of_that_name_stays(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    files.add(2, "var/lib/dhcp/eth0.leases", "lease {}")
    overlay = Overlay(removed=frozenset({(2, b"var/lib/dhcp/eth0.leases"), (2, b"var/lib")}))

    left = [entry.path for entry in overlay.adjusted(2, files.entries(2))]

    assert left == [b"", b"var", b"var/lib", b"var/lib/dhcp"]


def test_an_emptied_file_has_no_digest(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    files.add(2, "etc/machine-id", "5bf1\n")

    (*_, entry) = Overlay({(2, b"etc/machine-id"): b""}).adjusted(2, files.entries(2))

    assert (entry.size, entry.digest) == (0, b"")


def test_a_changed_file_leaves_its_hard_link_group(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    entry = files.add(2, "etc/hostname", "pier-3\n")
    files.put(2, entry._replace(link=7))

    (*_, adjusted) = Overlay({(2, b"etc/hostname"): b"x"}).adjusted(2, files.entries(2))

    assert adjusted.link == 0


def test_a_file_that_could_not_be_read_has_its_new_content(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    entry = files.add(2, "etc/ssh/ssh_host_ed25519_key", "old")
    files.put(2, entry._replace(digest=b"", omitted=Omitted.UNREADABLE))

    (*_, adjusted) = Overlay({(2, entry.path): b"new"}).adjusted(2, files.entries(2))

    assert (adjusted.size, adjusted.omitted) == (3, Omitted.NOTHING)


def test_lost_files_are_not_there_but_folders_of_that_name_are(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    files.add(2, "var/lib/gauge", "1.42 m\n")
    overlay = Overlay(lost=frozenset({(2, b"var/lib/gauge"), (2, b"var/lib")}))

    paths = [entry.path for entry in overlay.adjusted(2, files.entries(2))]

    assert b"var/lib/gauge" not in paths
    assert b"var/lib" in paths


def test_contents_come_from_the_overlay_or_from_below(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    old = files.add(2, "etc/hostname", "pier-3\n")
    contents = Overlay({(2, b"etc/hostname"): b"pier-4\n"}).over(files.contents)

    new = hashlib.sha256(b"pier-4\n").digest()
    for digest, wanted in ((old.digest, b"pier-3\n"), (new, b"pier-4\n")):
        handle = contents.open(digest)
        try:
            assert os.fstat(handle).st_size == len(wanted)
            assert os.pread(handle, 100, 0) == wanted
        finally:
            os.close(handle)


def test_memory_stays_flat_however_many_entries_there_are() -> None:
    def many() -> Iterator[Entry]:
        for number in range(200_000):
            yield Entry(b"var", b"%d" % number, EntryType.FILE)

    overlay = Overlay({(2, b"etc/hostname"): b"x"})
    tracemalloc.start()
    try:
        count = sum(1 for _ in overlay.adjusted(2, many()))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert count == 200_000
    assert peak < 1 << 20
