"""`holdstill keeper enrol` and `retire` as a person runs them."""

from collections.abc import Callable
from pathlib import Path

import pytest

from holdstill.cli import main
from holdstill.errors import PreflightError, UsageError
from support import keys


def test_addresses_that_cannot_be_written_enrol_nobody(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, key = str(tmp_path / "store"), keys.make_key(tmp_path / "key")
    main.run(["keeper", "init", store])

    code = main.run(["keeper", "enrol", store, "pier-3", "--key", f"{key.private}.pub",
                     "--from", 'bad"quote'])  # fmt: skip

    assert code == 2
    assert "is enrolled" not in capsys.readouterr().err
    assert list((tmp_path / "store" / "boards").iterdir()) == []


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A store with the board pier-3, let in with the key old.pub."""
    (tmp_path / "home").mkdir()
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    keys.make_key(tmp_path / "old")
    keys.make_key(tmp_path / "new")
    folder = str(tmp_path / "store")
    main.run(["keeper", "init", folder])
    assert enrol(folder, "old") == 0
    return folder


def enrol(store: str, key: str, *words: str) -> int:
    path = Path(store).with_name(f"{key}.pub")
    return main.run(["keeper", "enrol", store, "pier-3", "--key", str(path), "--let-in", *words])


def served(store: str) -> int:
    """Return how it ends that a key comes in as its line says."""
    words = ["keeper", "serve", "--store", store, "--board", "pier-3", "--key", "SHA256:x"]
    return main.run(words)


def let_in(store: str) -> list[str]:
    """Return which of the two keys sshd would let in."""
    path = Path(store).with_name("home") / ".ssh/authorized_keys"
    lines = path.read_text(encoding="ascii")
    known = {name: Path(store).with_name(f"{name}.pub") for name in ("old", "new")}
    return [name for name, key in known.items() if key.read_text("ascii").split()[1] in lines]


def test_f15_another_key_is_refused_until_it_is_said_that_it_takes_the_olds_place(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    refused = enrol(store, "new")
    said = capsys.readouterr().err
    after_refusal = let_in(store)
    replaced = enrol(store, "new", "--replace-key")

    assert (refused, after_refusal) == (9, ["old"])
    assert "another key" in said
    assert f"holdstill keeper enrol {store} pier-3 --key KEY.pub --replace-key" in said
    assert (replaced, let_in(store)) == (0, ["new"])
    assert enrol(store, "old", "--replace-key") == 9  # withdrawn for good


def test_f15_the_same_key_again_is_told_and_harmless(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (Path(store) / "boards/pier-3/enrolment.yaml").read_bytes()
    capsys.readouterr()

    codes = [enrol(store, "old"), enrol(store, "old", "--replace-key")]

    assert codes == [0, 0]
    assert capsys.readouterr().out.count("enrolled with this key already") == 2
    assert (Path(store) / "boards/pier-3/enrolment.yaml").read_bytes() == before
    assert let_in(store) == ["old"]


def test_m19_a_retired_board_is_let_in_no_more_and_nothing_is_expected_of_it(
    store: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "keeper.yaml"
    settings.write_text(f"store: {store}\nnotify:\n  silent_days: 1\n", encoding="utf-8")

    code = main.run(["keeper", "retire", store, "pier-3"])

    assert (code, let_in(store)) == (0, [])
    assert "1 line with a withdrawn key went out of" in capsys.readouterr().out
    assert main.run(["keeper", "watch", "--settings", str(settings)]) == 0
    assert "of which none is to capture" in capsys.readouterr().out
    assert served(store) == 9
    assert "was withdrawn" in capsys.readouterr().err


def test_m19_a_board_is_shut_out_also_when_its_store_cannot_be_written_to(store: str) -> None:
    enrolled = Path(store) / "boards/pier-3/enrolment.yaml"
    (enrolled.parent / f".{enrolled.name}.draft").mkdir()  # as where no file can be made

    code = main.run(["keeper", "retire", store, "pier-3"])

    assert code != 0
    assert let_in(store) == []


def test_a_key_is_withdrawn_also_when_authorized_keys_cannot_be_written(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = Path(store).with_name("home") / ".ssh/authorized_keys"
    (lines.parent / f".{lines.name}.draft").mkdir()  # as where no file can be made

    code = main.run(["keeper", "retire", store, "pier-3"])

    told = capsys.readouterr().err
    assert code == PreflightError.exit_code
    assert "until the line of pier-3 is out of authorized_keys" in told
    assert served(store) == 9


def spoil(path: Path) -> None:
    path.write_text("board: [pier\n", encoding="ascii")


def put_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("break_it", [Path.unlink, spoil, put_a_folder])
def test_a_board_whose_enrolment_cannot_be_read_is_shut_out_by_its_name(
    store: str, capsys: pytest.CaptureFixture[str], break_it: Callable[[Path], None]
) -> None:
    enrolled = Path(store) / "boards/pier-3/enrolment.yaml"
    lines = Path(store).with_name("home") / ".ssh/authorized_keys"
    others = lines.read_text("ascii").replace("--board pier-3", "--board pier-33")
    with lines.open("a", encoding="ascii") as file:
        file.write(others)
    break_it(enrolled)
    capsys.readouterr()

    code = main.run(["keeper", "retire", store, "pier-3"])

    told = " ".join(capsys.readouterr().err.split())
    assert code != 0
    assert lines.read_text("ascii") == others
    assert str(enrolled) in told
    assert f"1 line with `--board pier-3` went out of {lines} all the same" in told
    assert "knows no board" not in told


def test_a_mistyped_name_shuts_nobody_out(store: str, capsys: pytest.CaptureFixture[str]) -> None:
    code = main.run(["keeper", "retire", store, "pier-4"])

    told = capsys.readouterr().err
    assert (code, let_in(store)) == (UsageError.exit_code, ["old"])
    assert "knows no board pier-4" in told
    assert "all the same" not in told


def test_where_the_store_is_not_there_it_is_said_which_line_lets_the_board_in(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main.run(["keeper", "retire", f"{store}-unmounted", "pier-3"])

    assert code == UsageError.exit_code
    assert "the line with `--board pier-3` in the keeper's authorized_keys" in (
        " ".join(capsys.readouterr().err.split())
    )


def test_m19_retiring_again_still_looks_for_the_line(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = Path(store).with_name("home") / ".ssh/authorized_keys"
    line = path.read_bytes()
    main.run(["keeper", "retire", store, "pier-3"])
    path.write_bytes(line)  # as after a cut between the two, or put back by hand
    capsys.readouterr()

    codes = [main.run(["keeper", "retire", store, "pier-3"]) for _ in range(2)]

    told = capsys.readouterr()
    assert (codes, let_in(store)) == ([0, 0], [])
    assert told.out.count("had no key in use any more") == 2
    assert "no line with a withdrawn key is in" in told.err
