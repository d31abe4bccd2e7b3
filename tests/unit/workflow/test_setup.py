from pathlib import Path

import pytest

from holdstill.errors import DocumentError, SecurityError, UsageError
from holdstill.transport.host_keys import HostKey
from holdstill.workflow import enrol_board, install_units
from holdstill.workflow.setup import Answers, BoardFiles

GOOD = Answers("ssh://keeper@boathouse", "pier-3", "02:30")
# The public key of RFC 8032, 7.1, TEST 1, in OpenSSH's form.
KEY = "AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea"


def test_what_is_written_is_read_back_as_it_was_answered() -> None:
    settings = Answers(
        "/mnt/usb", "pier-3", "23:59", disks=("/dev/mmcblk0",), root="/mnt/x"
    ).settings()

    assert (str(settings.keeper), settings.board) == ("/mnt/usb", "pier-3")
    assert (settings.disks, settings.root) == (("/dev/mmcblk0",), Path("/mnt/x"))
    assert settings.nightly.time == "23:59"


@pytest.mark.parametrize(
    "answers",
    [
        Answers('x"\nhooks: []\n', "pier-3", "02:30"),
        Answers("/mnt/usb", 'pier-3"\nroot: "/etc', "02:30"),
        Answers("/mnt/usb", "pier-3", "24:00"),
    ],
)
def test_an_answer_cannot_become_another_setting(answers: Answers) -> None:
    with pytest.raises(DocumentError):
        answers.settings()


def test_only_the_program_of_a_unit_is_replaced() -> None:
    unit = (
        "ExecStart=/usr/local/bin/holdstill nightly\n"
        "ExecStopPost=-/usr/local/bin/holdstill resume\n"
        "ConditionPathExists=/etc/holdstill/board.yaml\n"
        "ExecStartPre=/usr/bin/test -d /var/lib/holdstill\n"
    )

    assert install_units.with_program(unit, "/opt/holdstill/bin/holdstill") == (
        "ExecStart=/opt/holdstill/bin/holdstill nightly\n"
        "ExecStopPost=-/opt/holdstill/bin/holdstill resume\n"
        "ConditionPathExists=/etc/holdstill/board.yaml\n"
        "ExecStartPre=/usr/bin/test -d /var/lib/holdstill\n"
    )


def test_a_board_gets_the_boards_units_and_not_the_keepers(tmp_path: Path) -> None:
    for name in ("holdstill-nightly.service", "holdstill-keeper-thin.timer", "README"):
        (tmp_path / name).touch()

    assert [path.name for path in install_units.find_units(tmp_path)] == [
        "holdstill-nightly.service"
    ]


def test_every_unit_that_is_shipped_for_a_board_is_found() -> None:
    shipped = Path(__file__).parents[3] / "systemd"

    assert {path.name for path in install_units.find_units(shipped)} == {
        "holdstill-audit.service", "holdstill-audit.timer", "holdstill-nightly.service",
    }  # fmt: skip


def test_a_fingerprint_that_differs_is_refused() -> None:
    pin = HostKey("boathouse", "ssh-ed25519", KEY)

    enrol_board.check_fingerprint(pin, f" {pin.fingerprint}\n")
    with pytest.raises(SecurityError, match="not SHA256:AAAA"):
        enrol_board.check_fingerprint(pin, "SHA256:AAAA")


@pytest.mark.parametrize("store", ["srv", "/srv/a b", "/srv/$(reboot)", "/srv/'x", ""])
def test_the_line_for_the_keeper_has_no_room_for_other_commands(store: str) -> None:
    machine = BoardFiles(Path("/"), GOOD.settings())

    with pytest.raises(UsageError):
        enrol_board.line_for_keeper(machine, f"ssh-ed25519 {KEY} pier-3", store)
