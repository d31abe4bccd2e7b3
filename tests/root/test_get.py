"""list, show and get: what a person sees of a store, and takes out of it."""

import contextlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from support import boards, loop
from support.boards import Kept
from support.command_line import attempt, holdstill
from support.corrupt_files import WAYS, spoilt, stored

pytestmark = pytest.mark.timeout(120)
SECRET = b"the readings of a whole year\n" * 1000


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """A store with one capture of a small board."""
    folder = tmp_path_factory.mktemp("look")
    with boards.running(folder) as board, boards.kept(folder, board) as found:
        data = board.root / "var/lib/gauge"
        data.mkdir(parents=True)
        (data / "readings.csv").write_bytes(SECRET)
        (data / "empty").touch()
        (data / "link").symlink_to("readings.csv")
        os.mkfifo(data / "pipe")
        (data / "readings.csv").chmod(0o4640)
        os.utime(data / "readings.csv", ns=(0, 981_173_106_123_456_789))
        boards.holdstill("capture", "--settings", found.settings)
        yield found


def test_the_list_tells_age_grade_and_frozen_span(kept: Kept) -> None:
    briefs = json.loads(holdstill("list", "--store", kept.store, "--json"))["boards"]["pier-3"]
    text = holdstill("list", "pier-3", "--store", kept.store).decode()

    assert [brief["seq"] for brief in briefs] == [1]
    assert briefs[0]["grade"] == "point-in-time"
    assert briefs[0]["frozen_ms"] > 0
    assert "000001-" in text
    assert " s " in text or " min " in text


def test_show_names_the_disk_and_every_partition(kept: Kept) -> None:
    manifest = json.loads(holdstill("show", "pier-3/1", "--store", kept.store, "--json"))
    text = holdstill("show", "pier-3", "--store", kept.store).decode()

    assert manifest["disk"]["id"] == "0x9a3c5d2e"
    assert [part["number"] for part in manifest["parts"]] == [1, 2]
    assert "A40D-85E7" in text
    assert "rootfs" in text


def test_s28_a_file_comes_out_with_its_times_but_without_setuid(
    kept: Kept, tmp_path: Path
) -> None:
    target = tmp_path / "out.csv"

    holdstill("get", "pier-3", "/var/lib/gauge/readings.csv", "--store", kept.store,
              "--to", target)  # fmt: skip

    assert target.read_bytes() == SECRET
    assert target.stat().st_mode & 0o7777 == 0o640
    assert target.stat().st_mtime_ns == 981_173_106_123_456_789


def test_a_folder_comes_out_and_what_is_skipped_is_told(kept: Kept, tmp_path: Path) -> None:
    target = tmp_path / "gauge"

    said = holdstill("get", "pier-3", "/var/lib/gauge/", "--store", kept.store, "--to", target)

    assert sorted(path.name for path in target.iterdir()) == ["empty", "link", "readings.csv"]
    assert (target / "link").readlink() == Path("readings.csv")
    assert b"pipe" in said


def test_a_file_of_a_partition_that_was_not_mounted_comes_out_by_its_number(
    kept: Kept, tmp_path: Path
) -> None:
    holdstill("get", "pier-3", "1:/cmdline.txt", "--store", kept.store, "--to", tmp_path / "x")

    assert (tmp_path / "x").read_text(encoding="ascii").startswith("root=PARTUUID=")


def test_a_folder_of_a_fat_can_be_opened_by_whoever_took_it_out(
    kept: Kept, tmp_path: Path
) -> None:
    holdstill("get", "pier-3", "1:/OVERLAYS", "--store", kept.store, "--to", tmp_path / "x")

    modes = {entry.stat().st_mode & 0o777 for entry in (tmp_path / "x").iterdir()}
    assert (tmp_path / "x").stat().st_mode & 0o777 == 0o700
    assert modes == {0o600}


def test_a_place_where_nothing_was_mounted_is_not_guessed(kept: Kept, tmp_path: Path) -> None:
    done = attempt("get", "pier-3", "/boot/firmware/cmdline.txt", "--store", kept.store,
                 "--to", tmp_path / "x")  # fmt: skip

    assert done.returncode == 2
    assert b"not in the capture" in done.stderr


def test_nothing_is_overwritten(kept: Kept, tmp_path: Path) -> None:
    target = tmp_path / "mine"
    target.write_bytes(b"precious")

    done = attempt("get", "pier-3", "/etc/fstab", "--store", kept.store, "--to", target)

    assert done.returncode == 2
    assert b"exists" in done.stderr
    assert target.read_bytes() == b"precious"


def test_a_target_in_a_folder_that_is_not_there_is_told(kept: Kept, tmp_path: Path) -> None:
    target = tmp_path / "none" / "x"

    done = attempt("get", "pier-3", "/etc/fstab", "--store", kept.store, "--to", target)

    assert done.returncode == 2
    assert b"there is no folder" in done.stderr


@pytest.mark.parametrize("words", [("pier-4",), ("pier-3/77",), ("../../etc",), ("pier-3/x",)])
def test_what_is_not_there_is_said_with_a_way_on(kept: Kept, words: tuple[str, ...]) -> None:
    done = attempt("show", *words, "--store", kept.store)

    assert done.returncode == 2
    assert b"what to do:" in done.stderr or b"cannot be a board" in done.stderr


@pytest.mark.parametrize("spoil", WAYS)
def test_a_damaged_content_is_not_handed_out(
    kept: Kept, tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    with spoilt(stored(kept.store, SECRET), spoil=spoil):
        done = attempt("get", "pier-3", "/var/lib/gauge/readings.csv", "--store", kept.store,
                     "--to", tmp_path / "bad")  # fmt: skip

    assert done.returncode == 7
    assert b"the stored content of /var/lib/gauge/readings.csv is damaged" in done.stderr
    assert not (tmp_path / "bad").exists()


@pytest.mark.parametrize("spoil", WAYS)
def test_the_rest_of_a_folder_comes_out_without_what_is_damaged(
    kept: Kept, tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    with spoilt(stored(kept.store, SECRET), spoil=spoil):
        said = holdstill(
            "get", "pier-3", "/var/lib/gauge", "--store", kept.store, "--to", tmp_path / "gauge",
            "--leave-out-damaged", accepted=[8],
        )  # fmt: skip

    assert sorted(path.name for path in (tmp_path / "gauge").iterdir()) == ["empty", "link"]
    assert b"/var/lib/gauge/readings.csv" in said


def test_a_damaged_capture_is_known_until_it_is_whole_again(kept: Kept, tmp_path: Path) -> None:
    with spoilt(stored(kept.store, SECRET)):
        holdstill("verify", "--store", kept.store, accepted=[7])
        listed = holdstill("list", "--store", kept.store)
        warned = attempt("show", "pier-3", "--store", kept.store)
        refused = attempt("rebuild", "pier-3", tmp_path / "no.img", "--store", kept.store)
        said = json.loads(
            holdstill("rebuild", "pier-3", tmp_path / "card.img", "--store", kept.store,
                      "--leave-out-damaged", "--json", accepted=[8])
        )  # fmt: skip
    holdstill("verify", "--store", kept.store)

    assert b"damaged" in listed
    assert b"no capture is without trouble" in warned.stderr
    assert refused.returncode == 7
    assert b"--leave-out-damaged" in refused.stderr
    assert [line.partition(":")[0] for line in said["left_out"]] == ["/var/lib/gauge/readings.csv"]
    assert said["checked_entries"] == said["entries"] > 10
    assert b"damaged" not in holdstill("list", "--store", kept.store)


def test_a_key_that_was_enrolled_for_another_board_is_noticed_before_anything_is_sent(
    kept: Kept, tmp_path: Path
) -> None:
    settings = tmp_path / "board.yaml"
    settings.write_text(kept.settings.read_text(encoding="utf-8").replace("pier-3", "pier-4"),
                        encoding="utf-8")  # fmt: skip

    done = attempt("capture", "--settings", settings)

    assert done.returncode == 2
    assert b"the keeper knows this key as board pier-3's" in done.stderr


def test_a_repair_takes_out_what_is_damaged_and_the_next_capture_brings_it_again(
    kept: Kept, tmp_path: Path
) -> None:
    path = stored(kept.store, SECRET)
    path.chmod(0o600)
    path.write_bytes(b"x" * len(SECRET))

    done = attempt("verify", "--store", kept.store, "--repair")
    words = ("get", "pier-3", "/var/lib/gauge/readings.csv", "--store", kept.store, "--to")
    gone = attempt(*words, tmp_path / "gone")
    waiting = attempt("verify", "--store", kept.store)
    folder = attempt("get", "pier-3", "/", "--store", kept.store, "--to", tmp_path / "part")
    boards.holdstill("capture", "--settings", kept.settings)

    assert done.returncode == 7
    assert f"{path.name}: awaited".encode() in done.stderr
    assert gone.returncode == 7
    assert b"taken out by --repair, and awaited" in waiting.stdout
    assert b"verify --repair` has" not in waiting.stdout
    assert f"{tmp_path / 'part.incomplete'} has what comes before".encode() in folder.stderr
    holdstill("verify", "--store", kept.store)
    holdstill(*words, tmp_path / "back")
    assert (tmp_path / "back").read_bytes() == SECRET


# ENOSPC of a real file system that is full: 1 MiB of room, 29 kB a copy.
def test_m6_a_full_disk_is_told_with_its_path_and_what_to_do(kept: Kept, tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path, size=loop.MIB * 2, mkfs=("-O", "^has_journal")) as full:
        (full / "filler").write_bytes(b"")
        with (full / "filler").open("ab", buffering=0) as filler, contextlib.suppress(OSError):
            while filler.write(b"x" * 4096):
                pass

        done = attempt("get", "pier-3", "/var/lib/gauge/readings.csv", "--store", kept.store,
                     "--to", full / "out.csv")  # fmt: skip

        left = list(full.glob("out*"))
    said = done.stderr.decode()
    assert done.returncode == 11
    assert f"{full}/out.csv.incomplete cannot be written: No space left on device" in said
    assert "what to do: " in said
    assert "Traceback" not in said
    assert not left


def test_what_was_broken_off_has_another_name_than_what_is_whole(
    kept: Kept, tmp_path: Path
) -> None:
    words = ("get", "pier-3", "/etc", "--store", kept.store, "--to", tmp_path / "etc")
    (tmp_path / "etc.incomplete").mkdir()

    refused = attempt(*words)
    (tmp_path / "etc.incomplete").rmdir()
    holdstill(*words)

    assert refused.returncode == 2
    assert f"rm -r {tmp_path / 'etc.incomplete'}".encode() in refused.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["etc"]
    assert any((tmp_path / "etc").iterdir())
