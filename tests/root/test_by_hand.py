"""The page that lies in every store, followed as it is written, without our tool."""

import os
import re
import sqlite3
import subprocess
import textwrap
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml

from support import boards, edge_case_tree, loop, programs
from support.boards import Board, holdstill

MIB = 1 << 20


def block(page: str, first: str, last: str) -> str:
    """Return the commands of the page from one line to another, as a person would copy them."""
    lines = page.splitlines()
    start = next(n for n, line in enumerate(lines) if line.strip().startswith(first))
    end = next(n for n, line in enumerate(lines) if n >= start and line.strip() == last)
    return textwrap.dedent("\n".join(lines[start : end + 1])) + "\n"


def page_line(page: str, first: str) -> str:
    """Return the first line of the page that begins so."""
    return next(line.strip() for line in page.splitlines() if line.strip().startswith(first))


def by_hand(commands: str, folder: Path, **variables: object) -> None:
    done = subprocess.run(
        ["sh", "-ec", commands],
        cwd=folder,
        env={**os.environ, **{name: str(value) for name, value in variables.items()}},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode(errors="replace")[-2000:]


def table_for(manifest: dict[str, dict[str, object]]) -> bytes:
    """Write the table as the page says: from the manifest's own numbers."""
    disk = manifest["disk"]
    lines = [f"label: {disk['label']}", f"label-id: {disk['id']}"]
    partitions = disk["partitions"]
    assert isinstance(partitions, list)
    for row in partitions:
        bootable = ", bootable" if row["bootable"] else ""
        lines.append(f"start={row['start']}, size={row['size']}, type={row['type']}{bootable}")
    return "\n".join(lines).encode() + b"\n"


@pytest.mark.timeout(240)
def test_the_page_in_the_store_makes_the_same_card_with_coreutils_only(tmp_path: Path) -> None:
    with boards.running(tmp_path, size=256 * MIB) as board:
        (board.root / "torture").mkdir()
        edge_case_tree.build(board.root / "torture", big_directory=50)
        drop_what_the_page_leaves_out(board.root / "torture")
        with (board.root / "readings.db").open("wb") as file:
            file.write(os.urandom(17 * MIB))
            file.seek(20 * MIB)
            file.write(b"behind a hole")
        fill_gap(board)
        with boards.kept(tmp_path, board) as kept:
            holdstill("capture", "--settings", kept.settings)
            (capture,) = (kept.store / "boards/pier-3/captures").iterdir()
            card = make_by_hand(capture, tmp_path)
            compare(card, board.disk.image, board.root, tmp_path)


THREE = (
    boards.MBR.replace("type=83", "size=2400000, type=83") + "start=2500000, size=16384, type=da\n"
)
"""As boards.MBR, and a partition that holds no file system."""
DATABASE = "var/lib/gauge/readings.db"


@dataclass(frozen=True)
class Held:
    """What a board had at a capture: its files, and its raw partition."""

    root: Path
    raw: bytes
    boot_image: bytes


@pytest.mark.timeout(300)
def test_the_page_makes_the_oldest_and_the_newest_of_five_captures(tmp_path: Path) -> None:
    captures, held = five_captures(tmp_path)

    for capture, was in ((captures[0], held[0]), (captures[-1], held[-1])):
        folder = tmp_path / f"by-hand-{capture.name}"
        folder.mkdir()
        card = make_by_hand(capture, folder, size=1300 * MIB)
        same_files(card, was.root, folder)
        assert raw_of(card)[: len(was.raw)] == was.raw
        assert boot_files(capture, folder)["initramfs"] == was.boot_image
    assert held[0].raw != held[-1].raw


def five_captures(folder: Path) -> tuple[list[Path], list[Held]]:
    """Capture a board with a large database five times; return the captures, and what it had."""
    held = []
    with boards.running(folder, script=THREE, size=1300 * MIB) as board:
        fill_gap(board)
        readings = make_database(board.root / DATABASE)
        (board.root / "etc/hostname").write_text("pier-3\n", encoding="ascii")
        with boards.kept_nearby(folder, board.root) as kept:
            for night in range(5):
                change(readings, night)
                held.append(written_anew(board, night, folder / f"held-{night}"))
                holdstill("capture", "--settings", kept.settings)
    return sorted((folder / "store/boards/pier-3/captures").iterdir()), held


def make_database(path: Path) -> Path:
    """Make a SQLite database of 1 GiB, of which 48 MiB were ever written."""
    path.parent.mkdir(parents=True)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE reading (id INTEGER PRIMARY KEY, metres BLOB)")
        db.executemany(
            "INSERT INTO reading VALUES (?, randomblob(49152))", ((n,) for n in range(1024))
        )
        db.commit()
    # As a database is whose room was allocated in advance: what is behind its pages is free.
    os.truncate(path, 1024 * MIB)
    return path


def change(path: Path, night: int) -> None:
    """Write a few rows, all over the database."""
    with closing(sqlite3.connect(path)) as db:
        db.executemany(
            "UPDATE reading SET metres = randomblob(49152) WHERE id = ?",
            ((n,) for n in range(night, 1024, 101)),
        )
        db.commit()
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def written_anew(board: Board, night: int, copy: Path) -> Held:
    """Change what is not on the root file system; keep a copy of everything for a comparison."""
    raw = b"settings of the radio, night %d" % night + bytes(3 * MIB) + os.urandom(MIB)
    board.disk.partition(3).write_bytes(raw)
    boot_image = os.urandom(17 * MIB)
    image = copy.with_name("initramfs")
    image.write_bytes(boot_image)
    programs.run("mcopy", "-o", "-Q", "-i", board.disk.partition(1), image, "::/initramfs")
    programs.run("cp", "-a", "--sparse=always", board.root, copy, timeout=120)
    return Held(copy, raw, boot_image)


def raw_of(card: Path) -> bytes:
    with loop.attached(card) as disk, disk.partition(3).open("rb") as raw:
        return raw.read()


def boot_files(capture: Path, folder: Path) -> dict[str, bytes]:
    """Do for the FAT what the page says, in a folder, since not every kernel mounts a FAT."""
    page = page_of(capture)
    (folder / "boot").mkdir()
    lines = block(page, "sed 's/part", page_line(page, "(cd /mnt && grep"))
    lines = lines.replace("; umount /mnt", "").replace("/root/", f"{folder}/")
    by_hand(lines.replace("/mnt", f"{folder}/boot"), folder, STORE=store_of(capture))
    return {path.name: path.read_bytes() for path in (folder / "boot").iterdir() if path.is_file()}


def fill_gap(board: Board) -> None:
    with board.disk.device.open("r+b") as device:
        device.seek(MIB)
        device.write(b"a loader in the boot gap" * 50)


def drop_what_the_page_leaves_out(top: Path) -> None:
    """Take out sockets, names that are not UTF-8 or hold newlines, and 4 GiB of nothing."""
    (top / os.fsdecode(edge_case_tree.HUGE)).unlink()
    for path in sorted(top.rglob("*"), reverse=True):
        name = os.fsencode(path.name)
        if path.is_socket() or b"\n" in name or not is_text(name):
            remove(path)


def is_text(name: bytes) -> bool:
    try:
        name.decode()
    except UnicodeDecodeError:
        return False
    return True


def remove(path: Path) -> None:
    programs.run("rm", "-rf", path)


def store_of(capture: Path) -> Path:
    return capture.parents[3]


def page_of(capture: Path) -> str:
    return (store_of(capture) / "READ-ME-FIRST.txt").read_text(encoding="utf-8")


def make_by_hand(capture: Path, folder: Path, *, size: int = 300 * MIB) -> Path:
    page = page_of(capture)
    manifest = yaml.safe_load((capture / "manifest.yaml").read_bytes())
    image = loop.blank_image(folder / "by-hand.img", size=size)
    programs.run("sfdisk", "-q", image, stdin=table_for(manifest))
    with loop.attached(image) as disk:
        root = manifest["parts"][1]["file_system"]
        programs.run("mke2fs", "-q", "-t", "ext4", "-U", root["uuid"], "-L", root["label"],
                     disk.partition(2))  # fmt: skip
        function = block(page, "STORE=$(cd", ". /root/pieces.sh").replace("/root/", f"{folder}/")
        for name, target in (("index", folder / "index.sqlite"), ("gap", folder / "gap.bin")):
            digest = manifest[name]["sha256"]
            by_hand(f"{function}\npieces {digest} > {target}", capture)
        loader = block(page, "n=$(od", "done").replace("/root/", f"{folder}/")
        by_hand(loader, folder, CARD=disk.device)
        for raw in manifest["raws"]:
            number = raw["name"].removeprefix("raw-").removesuffix(".bin")
            (copying,) = re.findall(r"pieces SHA256-OF-RAW-N \|[^.]*", page)
            copying = copying.replace("SHA256-OF-RAW-N", raw["sha256"])
            copying = copying.replace("${CARD}N", str(disk.partition(int(number))))
            by_hand(f"{function}\n{copying}", capture)
        with loop.mounted(disk.partition(2), folder / "by-hand") as at:
            sql = block(page, "cat > /root/by-hand.sql", page_line(page, "sqlite3 -batch"))
            sql = sql.replace("/root/", f"{folder}/")
            by_hand(sql, capture)
            script = folder / "by-hand.sh"
            programs.attempt(
                "sh", "-c",
                f"export STORE={store_of(capture)}; cd {at} && sh {script} 2> {folder}/complaints",
            )  # fmt: skip
    return image


def compare(card: Path, original: Path, root: Path, folder: Path) -> None:
    with original.open("rb") as one, card.open("rb") as other:
        for image in (one, other):
            image.seek(512)
        assert one.read(8191 * 512) == other.read(8191 * 512)
    same_files(card, root, folder)


def same_files(card: Path, root: Path, folder: Path) -> None:
    with (
        loop.attached(card) as disk,
        loop.mounted(disk.partition(2), folder / "made", options="ro,noload") as at,
    ):
        said = programs.run(
            "rsync", "-aHAXn", "--numeric-ids", "--checksum", "--delete", "--itemize-changes",
            f"{root}/", f"{at}/", timeout=120,
        )  # fmt: skip
    complaints = (folder / "complaints").read_text(encoding="utf-8", errors="replace")
    assert said.decode(errors="replace").splitlines() == [], complaints[-2000:]
