"""A board's key in the wrong hands: what a thief can make a keeper do, by real ssh and rsync."""

from __future__ import annotations

import hashlib
import os
import subprocess
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import BusyError, LinkError
from holdstill.keeper import enrolment, session_slots
from holdstill.keeper.account import Balance
from holdstill.model.settings import OwnLimits
from holdstill.model.sizes import ByteSize
from holdstill.system.clocks import SystemClock
from holdstill.transport.rsync import TransferMode
from support import boathouse, keeping, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.keeper.account import Spent
    from holdstill.model.names import BoardName
    from support.boathouse import Boathouse

pytestmark = pytest.mark.timeout(120)
SECRET = b"the admiral's letters\n"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Boathouse]:
    """A keeper with a sealed capture of pier-3, and one of pier-4."""
    with boathouse.running(tmp_path_factory.mktemp("thief")) as house:
        for name in ("pier-3", "pier-4"):
            board = house.enrol(name)
            with house.keeper(board) as keeper:
                sender = house.board(keeper, board)
                sender.files = {b"srv/letters": SECRET + name.encode()}
                sender.capture()
            house.wait_until_left_alone(board)
        yield house


@pytest.fixture
def pier_3() -> BoardName:
    return keeping.PIER_3


def capture_of(house: Boathouse, board: BoardName) -> Path:
    return next((house.store.board_folder(board) / "captures").iterdir())


def relative(house: Boathouse, path: Path) -> str:
    return os.path.relpath(path, house.store.board_folder(keeping.PIER_3))


def tried(house: Boathouse, board: BoardName, *words: str) -> subprocess.CompletedProcess[bytes]:
    return programs.attempt(*house.ssh(board), *words, timeout=30)


def rsync(house: Boathouse, *words: str | Path) -> subprocess.CompletedProcess[bytes]:
    shell = " ".join(house.ssh(keeping.PIER_3)[:-1])
    return programs.attempt("rsync", "-e", shell, *words, timeout=30)


def refusals_of(house: Boathouse) -> str:
    path = house.store.board_folder(keeping.PIER_3) / "refusals.jsonl"
    return path.read_text("utf-8") if path.exists() else ""


@pytest.mark.parametrize(
    "words",
    [
        ("id",),
        ("sh", "-c", "id"),
        ("cat", "/etc/passwd"),
        ("holdstill", "keeper", "init", "/srv/x"),
    ],
)
def test_s01_a_command_of_the_thiefs_own_is_refused_and_noted(
    house: Boathouse, pier_3: BoardName, words: tuple[str, ...]
) -> None:
    done = tried(house, pier_3, *words)

    assert (done.returncode, done.stdout) == (9, b"")
    assert b"not one of ours" in done.stderr
    assert words[-1] in refusals_of(house)


def test_s01_there_is_no_terminal(house: Boathouse, pier_3: BoardName) -> None:
    words = [*house.ssh(pier_3)[:-1], "-tt", house.server.host]

    done = programs.attempt(*words, timeout=30)

    assert b"PTY allocation request failed" in done.stderr
    assert b"$" not in done.stdout


@pytest.mark.parametrize("option", ["-L", "-R"])
def test_s01_no_port_is_forwarded(house: Boathouse, pier_3: BoardName, option: str) -> None:
    port = str(house.server.port)
    words = [*house.ssh(pier_3)[:-1], "-o", "ExitOnForwardFailure=yes"]
    if option == "-R":
        done = programs.attempt(*words, "-R", f"0:127.0.0.1:{port}", house.server.host, "id")
        assert b"remote port forwarding failed" in done.stderr
    else:
        done = programs.attempt(*words, "-W", f"127.0.0.1:{port}", house.server.host)
        assert b"administratively prohibited" in done.stderr
    assert b"SSH-2.0" not in done.stdout


def test_s01_sftp_and_scp_get_nowhere(house: Boathouse, pier_3: BoardName, tmp_path: Path) -> None:
    target = f"{house.server.host}:/etc/passwd"
    options = list(house.ssh(pier_3)[1:-1])
    options[options.index("-p")] = "-P"
    at = options.index("-l")
    del options[at : at + 2]

    scp = programs.attempt("scp", "-O", *options, target, tmp_path / "got", timeout=30)
    sftp = programs.attempt("sftp", *options, target, tmp_path / "got", timeout=30)

    assert b"not one of ours" in scp.stderr
    assert sftp.returncode != 0
    assert "asked: 'internal-sftp'" in refusals_of(house)
    assert not (tmp_path / "got").exists()


@pytest.mark.parametrize(
    "options",
    [
        ("-a",),
        ("-a", "--delete"),
        ("-a", "--inplace"),
        ("--inplace", "-I"),
        ("-r", "--remove-source-files"),
        ("-dI", "--inplace", "--timeout=60"),
        ("-dI", "--inplace", "--timeout=60", "--delete"),
        ("-dI", "--inplace", "--timeout=60", "--link-dest=../../content"),
        ("-dI", "--inplace", "--timeout=60", "--backup", "--backup-dir=../captures"),
        ("-dI", "--append", "--timeout=60"),
        ("-d", "--existing", "--inplace", "--timeout=60"),
        ("-dI", "--inplace", "--timeout=60", "-s"),
        ("-dI", "--inplace", "--timeout=60", "--write-devices"),
        ("-dI", "--inplace", "--timeout=60", "--old-args"),
    ],
)
def test_s03_no_rsync_option_reaches_a_sealed_capture(
    house: Boathouse, tmp_path: Path, options: tuple[str, ...]
) -> None:
    before = keeping.snapshot(house.store.root / "content")
    captures = keeping.snapshot(house.store.root / "boards")
    (tmp_path / "index.sqlite").write_bytes(b"forged")
    capture = capture_of(house, keeping.PIER_3)

    for place in (relative(house, capture) + "/", str(capture) + "/", ""):
        noted_before = refusals_of(house).count("\n")
        done = rsync(house, *options, f"{tmp_path}/", f"{house.server.host}:{place}")
        assert done.returncode != 0, (place, done.stdout)
        assert refusals_of(house).count("\n") == noted_before + 1, place

    assert keeping.snapshot(house.store.root / "content") == before
    after = keeping.snapshot(house.store.root / "boards")
    noted = [name for name in after if "refusals" in name]
    assert {k: v for k, v in after.items() if k not in noted} == {
        k: v for k, v in captures.items() if k not in noted
    }
    assert "rsync" in refusals_of(house)


@pytest.mark.parametrize(
    "place",
    ["/etc/", "../pier-4/captures/", "captures/", "../../content/", "ledger.jsonl", "./"],
)
def test_s05_a_key_reads_nothing_but_its_own_captures_files(
    house: Boathouse, tmp_path: Path, place: str
) -> None:
    done = rsync(house, "-dI", "--timeout=60", f"{house.server.host}:{place}", f"{tmp_path}/")

    assert done.returncode != 0
    assert list(tmp_path.iterdir()) == []


def test_s05_another_boards_capture_is_not_to_be_had_by_its_name(
    house: Boathouse, tmp_path: Path
) -> None:
    name = capture_of(house, keeping.PIER_4).name
    mine = capture_of(house, keeping.PIER_3).name
    source = f"{house.server.host}:captures/{name}/index.sqlite"

    done = rsync(house, "-I", "--timeout=60", source, f"{tmp_path}/")

    if name != mine:
        assert done.returncode != 0
    else:  # both were sealed in one second: then it is the own one of that name
        own = capture_of(house, keeping.PIER_3) / "index.sqlite"
        assert (tmp_path / "index.sqlite").read_bytes() == own.read_bytes()


def test_s07_a_symlink_does_not_get_in(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()
        digest = hashlib.sha256(b"x").hexdigest()
        (tmp_path / digest).symlink_to("/etc/passwd")
        done = rsync(
            house, "-dIl", "--inplace", "--timeout=60", f"{tmp_path}/",
            f"{house.server.host}:{begun.folders[0]}/",
        )  # fmt: skip
        refused = done.returncode != 0
        contents = house.store.board_folder(pier_3) / begun.folders[0]
        left = list(contents.iterdir())
        keeper.abandon()

    assert refused
    assert left == []


def test_a_transfer_without_a_run_is_refused(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()
    source = tmp_path / "source"
    source.mkdir()
    (source / hashlib.sha256(b"x").hexdigest()).write_bytes(b"x")
    words = ("-dI", "--inplace", "--timeout=60", f"{source}/")

    late = rsync(house, *words, f"{house.server.host}:{begun.folders[0]}/")
    with house.keeper(pier_3) as keeper:
        keeper.begin()
        wrong = rsync(house, *words, f"{house.server.host}:incoming/{'f' * 16}/contents-0/")
        right = rsync(house, *words, f"{house.server.host}:{begun.folders[0]}/")

    assert (late.returncode, wrong.returncode, right.returncode) == (12, 12, 0)
    assert b"not under way" in late.stderr


def receivers(run: str) -> list[Path]:
    """Return the processes of the keeper's rsync that writes into this run's staging."""
    found = []
    for cmdline in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = cmdline.read_bytes()
        except OSError:
            continue
        if words.startswith(b"rsync\0--server") and run.encode() in words:
            found.append(cmdline.parent)
    return found


def status_of(process: Path) -> dict[str, str]:
    lines = (process / "status").read_text("utf-8").splitlines()
    return dict(line.split(":\t", 1) for line in lines if ":\t" in line)


def test_an_open_transfer_keeps_the_keeper_from_taking_files_over(
    house: Boathouse, pier_3: BoardName
) -> None:
    """What is taken over is never what somebody still has open for writing."""
    server = "rsync --server -dIe.iLsfxCIvu --timeout=300 --inplace ."
    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()
        words = [*house.ssh(pier_3), f"{server} {begun.folders[0]}/"]
        with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as hanging:
            assert hanging.stdout is not None
            assert len(hanging.stdout.read(4)) == 4  # rsync said its protocol's version: it runs
            lock = house.store.board_folder(pier_3) / "receiving-0.lock"
            running = receivers(begun.run)
            confined = [status_of(pid)["NoNewPrivs"] for pid in running]
            groups = {os.getpgid(int(pid.name)) for pid in running}
            holding = programs.attempt("flock", "-n", lock, "true")
            hanging.kill()
            hanging.communicate()
        free = programs.attempt("flock", "-w", "20", lock, "true")
        keeper.abandon()

    assert (holding.returncode, free.returncode) == (1, 0)
    assert confined
    # One group for all that this transfer starts, so that all of it can be ended.
    assert groups <= {int(pid.name) for pid in running}
    assert len(groups) == 1
    assert set(confined) == {"1"}  # what a process must give up to be walled in


def test_s12_the_receiver_itself_cannot_open_anything_else(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    """Landlock (kernel 5.13, Documentation/userspace-api/landlock.rst) walls rsync in."""
    from support import confined  # noqa: PLC0415

    allowed, other = tmp_path / "allowed", tmp_path / "other"
    for folder in (allowed, other):
        folder.mkdir()
        (folder / "f").write_bytes(b"x")

    said = programs.run(boathouse.PROGRAM[0], confined.__file__, allowed, other).split()

    if said == [b"unsupported"]:
        pytest.skip("this kernel has no Landlock")
    assert said == [b"allowed:read", b"allowed:write", b"other:EACCES", b"other:EACCES"]


def test_s13_no_key_is_in_an_argument_or_in_the_store(house: Boathouse, pier_3: BoardName) -> None:
    private = house.keys[pier_3].private.read_bytes().splitlines()[1][:40]

    for path in house.store.root.rglob("*"):
        assert not path.is_file() or private not in path.read_bytes()
    line = house.server.folder.joinpath("authorized_keys").read_text("ascii")
    assert "PRIVATE" not in line


def test_sealed_files_are_not_writable_even_for_the_keepers_user(house: Boathouse) -> None:
    for path in (house.store.root / "content").rglob("*"):
        if path.is_file():
            assert path.stat().st_mode & 0o222 == 0


def test_s04_a_flood_is_ended_by_the_keeper(house: Boathouse, tmp_path: Path) -> None:
    flooder = house.enrol("flooder")
    limits = OwnLimits(bytes_per_run=ByteSize.parse("3M"))
    public = house.keys[flooder].public
    enrolment.enrol(house.store, flooder, public, clock=SystemClock(), limits=limits)
    path = tmp_path / "flood"
    with path.open("wb") as file:
        file.truncate(1 << 40)  # zeros without an end, as far as anybody will wait

    with house.keeper(flooder) as keeper:
        begun = keeper.begin()
        with pytest.raises(LinkError, match=r"may take 3\.0 MiB a run"):
            house.bulk(flooder).send({"f" * 64: path}, begun.folders[0])
        contents = house.store.board_folder(flooder) / begun.folders[0]
        left = list(contents.iterdir())
        keeper.abandon()

    assert left == []
    assert 3 << 20 < spent_by(house, flooder).bytes < 1 << 30
    assert receivers(begun.run) == []


def spent_by(house: Boathouse, board: BoardName) -> Spent:
    """Return what a board's account says of today."""
    path = house.store.board_folder(board) / "account.json"
    return msgspec.json.decode(path.read_bytes(), type=Balance).today


def test_h4_a_transfer_that_ends_before_anybody_looks_counts(
    house: Boathouse, tmp_path: Path
) -> None:
    brisk = house.enrol("brisk")
    limits = OwnLimits(bytes_per_day=ByteSize.parse("3M"))
    public = house.keys[brisk].public
    enrolment.enrol(house.store, brisk, public, clock=SystemClock(), limits=limits)
    (tmp_path / "f").write_bytes(os.urandom(1 << 20))

    with house.keeper(brisk) as keeper:
        begun = keeper.begin()
        for number in range(2):
            house.bulk(brisk).send({f"{number:064x}": tmp_path / "f"}, begun.folders[0])
        two = spent_by(house, brisk)
        with pytest.raises(LinkError, match=r"bytes_per_day"):
            house.bulk(brisk).send({"f" * 64: tmp_path / "f"}, begun.folders[0])
        keeper.abandon()

    assert 2 << 20 <= two.bytes < 3 << 20
    assert two.inodes >= 2


def test_h15_empty_files_are_counted_and_ended(house: Boathouse, tmp_path: Path) -> None:
    littering = house.enrol("littering")
    limits = OwnLimits(inodes_per_day=100)
    public = house.keys[littering].public
    enrolment.enrol(house.store, littering, public, clock=SystemClock(), limits=limits)
    (tmp_path / "f").touch()

    with house.keeper(littering) as keeper:
        begun = keeper.begin()
        many = {f"{number:064x}": tmp_path / "f" for number in range(2000)}
        with pytest.raises(LinkError, match=r"take 100 files a day \(inodes_per_day\)"):
            house.bulk(littering).send(many, begun.folders[0])
        left = list((house.store.board_folder(littering) / begun.folders[0]).iterdir())
        keeper.abandon()

    assert left == []


def test_h3_h5_nothing_but_contents_stays_in_a_staging(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    """A directory and an odd name: one cannot be made, the other is dropped and noted."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "odd name").write_bytes(b"x")
    (tmp_path / ("e" * 64)).write_bytes(b"x")

    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()
        rsync(
            house, "-dI", "--inplace", "--timeout=60", f"{tmp_path}/",
            f"{house.server.host}:{begun.folders[0]}/",
        )  # fmt: skip
        contents = house.store.board_folder(pier_3) / begun.folders[0]
        left = [path.name for path in contents.iterdir()]
        keeper.abandon()

    assert "folder" not in left
    assert "odd name" not in left
    assert "odd name" in refusals_of(house) or left == []


def test_h18_no_file_is_larger_than_a_content(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    with (tmp_path / "holes").open("wb") as file:
        file.truncate(1 << 30)

    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()
        with pytest.raises(LinkError):
            house.bulk(pier_3).send(
                {"d" * 64: tmp_path / "holes"}, begun.folders[0], shape=TransferMode.SPARSE
            )
        contents = house.store.board_folder(pier_3) / begun.folders[0]
        sizes = [path.stat().st_size for path in contents.iterdir()]
        keeper.abandon()

    assert all(size <= 256 << 20 for size in sizes)


def test_one_key_holds_so_many_sessions_and_no_more(house: Boathouse) -> None:
    """One session more is busy, for the board as well; another board's are not touched."""
    with ExitStack() as open_ones:
        for _ in range(session_slots.SLOTS):
            open_ones.enter_context(house.keeper(keeping.PIER_3)).hello()

        done = tried(house, keeping.PIER_3, "holdstill-control")
        with (
            pytest.raises(BusyError, match=f"{session_slots.SLOTS} sessions"),
            house.keeper(keeping.PIER_3) as late,
        ):
            late.hello()
        with house.keeper(keeping.PIER_4) as other:
            assert other.hello().board == keeping.PIER_4

    assert done.returncode == BusyError.exit_code
