"""The page that lies in every store, followed as it is written, without our tool."""

import os
import subprocess
import textwrap
from pathlib import Path

import pytest
import yaml

from support import boards, edge_case_tree, loop, programs
from support.boards import Kept, holdstill

MIB = 1 << 20


def block(page: str, first: str, last: str) -> str:
    """Return the commands of the page from one line to another, as a person would copy them."""
    lines = page.splitlines()
    start = next(n for n, line in enumerate(lines) if line.strip().startswith(first))
    end = next(n for n, line in enumerate(lines) if n >= start and line.strip() == last)
    return textwrap.dedent("\n".join(lines[start : end + 1])) + "\n"


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
        with board.disk.device.open("r+b") as device:
            device.seek(MIB)
            device.write(b"a loader in the boot gap" * 50)
        with boards.kept(tmp_path, board) as kept:
            holdstill("capture", "--settings", kept.settings)
            card = make_by_hand(kept, tmp_path)
            compare(card, board.disk.image, board.root, tmp_path)


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


def make_by_hand(kept: Kept, folder: Path) -> Path:
    page = (kept.store / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    capture = next((kept.store / "boards/pier-3/captures").iterdir())
    manifest = yaml.safe_load((capture / "manifest.yaml").read_bytes())
    image = loop.blank_image(folder / "by-hand.img", size=300 * MIB)
    programs.run("sfdisk", "-q", image, stdin=table_for(manifest))
    with loop.attached(image) as disk:
        root = manifest["parts"][1]["file_system"]
        programs.run("mke2fs", "-q", "-t", "ext4", "-U", root["uuid"], "-L", root["label"],
                     disk.partition(2))  # fmt: skip
        function = block(page, "STORE=$(cd", ". /root/pieces.sh").replace("/root/", f"{folder}/")
        for name, target in (("index", folder / "index.sqlite"), ("gap", folder / "gap.bin")):
            digest = manifest[name]["sha256"]
            by_hand(f"{function}\npieces {digest} > {target}", capture)
        by_hand(block(page, "n=$(od", "done"), folder, CARD=disk.device)
        with loop.mounted(disk.partition(2), folder / "by-hand") as at:
            sql = block(page, "sqlite3 -batch", "SQL").replace("/root/", f"{folder}/")
            by_hand(sql, capture)
            script = folder / "by-hand.sh"
            programs.attempt(
                "sh", "-c",
                f"export STORE={kept.store}; cd {at} && sh {script} 2> {folder}/complaints",
            )  # fmt: skip
    return image


def compare(card: Path, original: Path, root: Path, folder: Path) -> None:
    with original.open("rb") as one, card.open("rb") as other:
        for image in (one, other):
            image.seek(512)
        assert one.read(8191 * 512) == other.read(8191 * 512)
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
