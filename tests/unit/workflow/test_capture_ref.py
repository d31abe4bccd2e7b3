import msgspec
import pytest

from holdstill.errors import UsageError, VerificationError
from holdstill.model.layout import Disk, Partition, Subvolume, Swap, TableLabel
from holdstill.model.manifest import (
    Attachment,
    BoardIdentity,
    CapturedPart,
    Grade,
    Manifest,
    Moment,
    Pause,
)
from holdstill.model.protocol import CaptureBrief
from holdstill.workflow import capture_ref


def part(number: int, mount: str, *, entries: int = 5) -> CapturedPart:
    return CapturedPart(
        number=number, grade=Grade.POINT_IN_TIME, file_system=Swap(uuid="u"), mount=mount,
        entries=entries,
    )  # fmt: skip


MANIFEST = Manifest(
    format=1,
    agent="0",
    board=BoardIdentity(name="pier-3"),
    seq=1,
    run="runrunru",
    moment=Moment(taken_at="2026-11-25T02:15:03Z", monotonic=1.0, clock_trusted=True),
    disk=Disk(size=1, label=TableLabel.DOS, partitions=(Partition(number=1, start=1, size=1,
                                                                  type="c"),)),
    parts=(part(1, ""), part(2, "/"), part(3, "/boot/firmware"), part(4, "", entries=0)),
    pause=Pause(),
    index=Attachment(name="index.sqlite", sha256="0", size=1),
    gap=Attachment(name="gap.bin", sha256="1", size=1),
    boot_areas=(Attachment(name="boot0.bin", sha256="2", size=1),),
)  # fmt: skip


@pytest.mark.parametrize(
    ("path", "number", "inside"),
    [
        ("/etc/hosts", 2, b"etc/hosts"),
        ("/", 2, b""),
        ("/boot/firmware/config.txt", 3, b"config.txt"),
        ("/boot/firmware", 3, b""),
        ("/boot/firmware-old/x", 2, b"boot/firmware-old/x"),
        ("/etc/", 2, b"etc"),
        ("1:/cmdline.txt", 1, b"cmdline.txt"),
        ("/bad\udcff", 2, b"bad\xff"),
    ],
)
def test_a_path_of_the_board_leads_to_the_file_system_that_it_was_on(
    path: str, number: int, inside: bytes
) -> None:
    found, where = capture_ref.locate(MANIFEST, path)

    assert (found.number, where) == (number, inside)


@pytest.mark.parametrize("path", ["etc/hosts", "", "4:/x", "9:/x"])
def test_a_path_that_leads_nowhere_is_refused_with_a_hint(path: str) -> None:
    with pytest.raises(UsageError) as caught:
        capture_ref.locate(MANIFEST, path)

    assert caught.value.hint


def test_what_is_beside_the_files_has_a_name_that_is_no_path() -> None:
    found = {name: capture_ref.beside_files(MANIFEST, name) for name in
             ("boot0.bin", "gap.bin", "boot1.bin", "index.sqlite", "/boot0.bin")}  # fmt: skip

    assert found == {
        "boot0.bin": MANIFEST.boot_areas[0], "gap.bin": MANIFEST.gap,
        "boot1.bin": None, "index.sqlite": None, "/boot0.bin": None,
    }  # fmt: skip


def test_a_board_whose_every_capture_has_a_fault_is_told_apart_from_one_without_captures() -> None:
    faulty = CaptureBrief(name="000001-20261125T021503Z", seq=1, manifest="", index="", grade="",
                          taken_at="", faults=("bad signature",))  # fmt: skip

    with pytest.raises(VerificationError, match="each of the 1") as found:
        capture_ref.chosen((faulty,), "", "pier-3")
    with pytest.raises(UsageError, match="no capture yet"):
        capture_ref.chosen((), "", "pier-3")

    assert "--despite-faults" in found.value.hint


def test_newer_captures_with_faults_are_told_when_an_older_one_is_taken_instead() -> None:
    def brief(seq: int, *faults: str) -> CaptureBrief:
        return CaptureBrief(name=f"{seq:06}-20261125T021503Z", seq=seq, manifest="", index="",
                            grade="", taken_at="", faults=faults)  # fmt: skip

    briefs = (brief(1, "old trouble"), brief(2), brief(3, "bad signature"))

    assert capture_ref.passed_over(briefs, "2") == ()
    assert capture_ref.passed_over(briefs[:2], "") == ()
    (line,) = capture_ref.passed_over(briefs, "")
    assert line == "000003-20261125T021503Z is newer, but passed over: bad signature"


def test_a_damaged_capture_is_taken_only_when_there_is_no_whole_one() -> None:
    def brief(seq: int, damaged_at: str) -> CaptureBrief:
        return CaptureBrief(name=f"{seq:06}-20261125T021503Z", seq=seq, manifest="", index="",
                            grade="", taken_at="", damaged_at=damaged_at)  # fmt: skip

    whole, damaged = brief(1, ""), brief(2, "2026-11-26T03:00:00Z")

    assert capture_ref.chosen((whole, damaged), "", "pier-3") == whole
    assert capture_ref.chosen((damaged,), "", "pier-3") == damaged
    assert capture_ref.chosen((whole, damaged), "2", "pier-3") == damaged
    (line,) = capture_ref.passed_over((whole, damaged), "")
    assert "damaged contents, found 2026-11-26" in line


def subvolume(number: int, path: str, mount: str = "") -> CapturedPart:
    return CapturedPart(
        number=number, grade=Grade.POINT_IN_TIME, file_system=Subvolume(of=2, path=path),
        mount=mount, entries=5,
    )  # fmt: skip


TREES = msgspec.structs.replace(
    MANIFEST,
    parts=(
        part(2, ""),
        subvolume(2000256, "@", "/"),
        subvolume(2000257, "@home", "/home"),
        subvolume(2000258, "@/var/lib/machines", "/var/lib/machines"),
    ),
)


@pytest.mark.parametrize(
    ("path", "number", "inside"),
    [
        ("2:/beside", 2, b"beside"),
        ("2:/@", 2000256, b""),
        ("2:/@/etc/hosts", 2000256, b"etc/hosts"),
        ("2:/@homes", 2, b"@homes"),
        ("2:@/etc/hosts", 2000256, b"etc/hosts"),
        ("2:@home", 2000257, b""),
        ("2:/@/var/lib/machines/x", 2000258, b"x"),
        ("2:/@/var/lib", 2000256, b"var/lib"),
        ("2000257:/reading", 2000257, b"reading"),
        ("/home/reading", 2000257, b"reading"),
        ("/var/lib/machines/x", 2000258, b"x"),
        ("/etc", 2000256, b"etc"),
    ],
)
def test_a_path_leads_to_the_subvolume_that_it_was_in(
    path: str, number: int, inside: bytes
) -> None:
    found, where = capture_ref.locate(TREES, path)

    assert (found.number, where) == (number, inside)


def test_what_was_mounted_below_a_folder_is_named() -> None:
    assert capture_ref.below(TREES, "/") == ("/home", "/var/lib/machines")
    assert capture_ref.below(TREES, "/var/") == ("/var/lib/machines",)
    assert capture_ref.below(TREES, "/home") == capture_ref.below(TREES, "/va") == ()


def a_brief(name: str, *, damaged_at: str = "", faults: tuple[str, ...] = ()) -> CaptureBrief:
    return CaptureBrief(
        name=name, seq=int(name[:6]), manifest="", index="", grade="", taken_at="",
        damaged_at=damaged_at, faults=faults,
    )  # fmt: skip


WEEK = (
    a_brief("000001-20261128T021503Z"),
    a_brief("000002-20261129T021503Z"),
    a_brief("000003-20261129T141503Z"),
    a_brief("000004-20261129T201503Z", damaged_at="2026-11-30T01:00:00Z"),
    a_brief("000005-20261130T021503Z", faults=("bad signature",)),
)


@pytest.mark.parametrize(
    ("which", "seq"),
    [("latest", 3), ("2026-11-28", 1), ("2026-11-29", 3), ("2026-11-30", 5), ("2026", None)],
)
def test_a_date_is_the_newest_good_capture_of_that_day_and_latest_that_of_all(
    which: str, seq: int | None
) -> None:
    if seq is None:
        with pytest.raises(UsageError, match="no capture 2026"):
            capture_ref.chosen(WEEK, which, "pier-3")
        return
    assert capture_ref.chosen(WEEK, which, "pier-3").seq == seq


def test_a_day_without_a_capture_names_the_nearest_that_have_one() -> None:
    with pytest.raises(UsageError, match="no capture of 2026-11-27") as told:
        capture_ref.chosen(WEEK, "2026-11-27", "pier-3")
    assert told.value.hint.endswith("nearest are those of 2026-11-28")


def test_a_day_that_no_calendar_has_is_told_as_such() -> None:
    for wrong in ("2026-13-40", "2026-02-29"):
        with pytest.raises(UsageError, match=f"there is no day {wrong}") as told:
            capture_ref.chosen(WEEK, wrong, "pier-3")
        assert "`holdstill list pier-3`" in told.value.hint


def test_what_is_passed_over_for_a_day_or_the_latest_is_told() -> None:
    latest = capture_ref.passed_over(WEEK, "latest")
    of_day = capture_ref.passed_over(WEEK, "2026-11-29")

    assert [line[:6] for line in latest] == ["000005", "000004"]
    assert [line[:6] for line in of_day] == ["000004"]
    assert capture_ref.passed_over(WEEK, "3") == ()


def test_latest_is_the_newest_good_one_and_a_wrong_name_is_told_the_newest() -> None:
    def brief(seq: int, *faults: str) -> CaptureBrief:
        return CaptureBrief(name=f"{seq:06}-20261125T021503Z", seq=seq, manifest="", index="",
                            grade="", taken_at="", faults=faults)  # fmt: skip

    briefs = (brief(1), brief(2), brief(3), brief(4, "bad signature"))

    assert capture_ref.chosen(briefs, "latest", "pier-3") == briefs[2]
    assert len(capture_ref.passed_over(briefs, "latest")) == 1
    for wrong in ("99", "2026-11"):
        with pytest.raises(UsageError, match=f"no capture {wrong}; its newest: 000002-") as found:
            capture_ref.chosen(briefs, wrong, "pier-3")
        assert "pier-3/4" in found.value.hint
