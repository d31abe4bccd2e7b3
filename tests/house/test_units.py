"""systemd's own checkers look at everything that we ship for it."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import stat
from pathlib import Path

import click
import pytest

from holdstill.cli.main import holdstill
from holdstill.workflow import install_units
from support import programs

UNITS = Path(__file__).parents[2] / "systemd"
SYSTEM = Path("usr/lib/systemd/system")
SUFFIXES = {".service", ".timer", ".socket", ".path", ".target", ".slice", ".mount"}
PROGRAM = re.compile(rb"^Exec\w+=[-@:+!]*(/\S+)", re.MULTILINE)
COMMAND = re.compile(r"^Exec\w+=[-@:+!]*/\S+/holdstill (.*)$", re.MULTILINE)
SHIPPED = sorted(path.name for path in UNITS.glob("*") if path.suffix in SUFFIXES)
SERVICES = [name for name in SHIPPED if name.endswith(".service")]
EXPOSED = {
    "holdstill-nightly.service": 5.5,  # root, all devices, no namespace: a capture needs that
    "holdstill-audit.service": 4.8,  # reads the whole card, as root
    "holdstill-keeper-watch.service": 1.5,  # it has to reach people over the network
    "holdstill-keeper-offsite-upload.service": 1.5,  # as that
    "holdstill-keeper-offsite-verify.service": 1.5,  # as that
    "holdstill-keeper-page.service": 1.0,
    "holdstill-keeper-rehearse@.service": 1.0,
    "holdstill-keeper-sessions.service": 2.5,  # what it forks was without any wall under sshd
    "holdstill-keeper-thin.service": 0.7,
    "holdstill-keeper-verify.service": 0.7,
}
"""Most exposure by the scale of `systemd-analyze security`: 10 is all of it, 2 is its "OK"."""
OWN_VIEW = re.compile(
    r"^(?:Private(?:Tmp|Mounts|Devices|IPC)|Protect(?:System|Home|KernelTunables|KernelModules"
    r"|KernelLogs|ControlGroups|Proc|Hostname)|ProcSubset|ReadOnlyPaths|ReadWritePaths"
    r"|InaccessiblePaths|TemporaryFileSystem|BindPaths|BindReadOnlyPaths|RootDirectory|RootImage"
    r"|MountAPIVFS|ExecPaths|NoExecPaths|MountFlags)=",
    re.MULTILINE,
)
"""Settings that give a unit file systems of its own (systemd.exec(5), Paths and Sandboxing)."""


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """Return a root directory with this machine's units, as systemd would find them."""
    shutil.copytree(Path("/") / SYSTEM, tmp_path / SYSTEM, symlinks=True)
    return tmp_path


def install(unit: Path, machine: Path) -> None:
    """Put a unit and the programs that it names into a machine."""
    shutil.copy(unit, machine / SYSTEM)
    for name in PROGRAM.findall(unit.read_bytes()):
        program = machine / name.decode().lstrip("/")
        program.parent.mkdir(parents=True, exist_ok=True)
        program.touch(mode=0o755)


def complaints(units: list[str], machine: Path) -> list[str]:
    """Return what systemd-analyze says about these units; it says nothing about a good one."""
    done = programs.attempt(
        *("systemd-analyze", f"--root={machine}", "--man=no", "--recursive-errors=no"),
        *("verify", *units),
    )
    said = (done.stdout + done.stderr).decode().splitlines()
    stems = [re.split("[@.]", unit)[0] for unit in units]
    return [line for line in said if any(stem in line for stem in stems)]


def instance(unit: str) -> str:
    """Return the unit, or for a template the unit of one board."""
    return unit.replace("@.", "@pier-3.")


def test_board_and_keeper_have_their_units_and_each_has_its_bound() -> None:
    assert "holdstill-nightly.service" in SERVICES
    for deed in ("verify", "thin", "watch", "rehearse@", "offsite-upload", "offsite-verify"):
        assert {f"holdstill-keeper-{deed}.{kind}" for kind in ("service", "timer")} <= {*SHIPPED}
    for deed in ("page", "sessions"):
        assert {f"holdstill-keeper-{deed}.{kind}" for kind in ("service", "socket")} <= {*SHIPPED}
    assert {*SERVICES} <= {*EXPOSED}


@pytest.mark.parametrize("unit", SHIPPED)
def test_systemd_understands_the_unit(machine: Path, unit: str) -> None:
    for each in SHIPPED:  # a timer names its service
        install(UNITS / each, machine)

    said = complaints([instance(unit)], machine)

    assert said == []


@pytest.mark.parametrize(
    ("line", "complaint"),
    [("Retart=on-failure", "Unknown key"), ("Type=notfy", "Failed to parse service type")],
)
def test_a_mistake_in_a_unit_would_be_noticed(machine: Path, line: str, complaint: str) -> None:
    unit = machine / "mistake.service"
    unit.write_text(f"[Service]\nExecStart=/usr/bin/holdstill\n{line}\n", encoding="utf-8")
    install(unit, machine)

    said = complaints([unit.name], machine)

    assert len(said) == 1
    assert complaint in said[0]


@pytest.mark.parametrize("unit", SHIPPED)
def test_what_a_unit_starts_is_a_command_of_ours(unit: str) -> None:
    lines = COMMAND.findall((UNITS / unit).read_text(encoding="utf-8"))

    assert bool(lines) == unit.endswith(".service")
    for line in lines:
        context = click.Context(holdstill, info_name="holdstill")
        command: click.Command = holdstill
        words = shlex.split(line)
        while isinstance(command, click.Group):
            _, found, words = command.resolve_command(context, words)
            assert found is not None
            command = found
        command.make_context(command.name, words, parent=context)  # raises on unknown words


@pytest.mark.parametrize("unit", SERVICES)
def test_a_service_is_no_more_exposed_than_it_has_to_be(unit: str) -> None:
    said = programs.run(
        *("systemd-analyze", "security", "--offline=yes", "--no-pager"), UNITS / unit
    )

    found = re.search(r"Overall exposure level for \S+: ([0-9.]+) ", said.decode())
    assert found is not None
    assert float(found[1]) <= EXPOSED[unit]
    assert EXPOSED[unit] - float(found[1]) < 1, "lower the bound"


def test_the_page_listens_at_this_machine_only() -> None:
    text = (UNITS / "holdstill-keeper-page.socket").read_text(encoding="utf-8")

    assert re.findall(r"^Listen\w+=(.*)$", text, re.MULTILINE) == ["127.0.0.1:8642"]


def test_an_open_service_would_be_noticed(tmp_path: Path) -> None:
    unit = tmp_path / "open.service"
    unit.write_text("[Service]\nExecStart=/usr/bin/holdstill\n", encoding="utf-8")

    done = programs.attempt(
        *("systemd-analyze", "security", "--offline=yes", "--no-pager"),
        *("--threshold=55", unit),
    )

    assert done.returncode != 0


def test_a_service_on_the_board_sees_the_boards_own_mounts() -> None:
    text = (UNITS / "holdstill-nightly.service").read_text(encoding="utf-8")

    assert OWN_VIEW.findall(text) == []
    assert OWN_VIEW.search((UNITS / "holdstill-keeper-thin.service").read_text(encoding="utf-8"))


def seconds_of(setting: str) -> float:
    """Return a span of the daemon's unit, by systemd's own word."""
    text = (UNITS / "holdstill-nightly.service").read_text(encoding="utf-8")
    (span,) = re.findall(rf"^{setting}=(\S+)$", text, re.MULTILINE)
    found = re.search(rb"\xce\xbcs: (\d+)", programs.run("systemd-analyze", "timespan", span))
    assert found is not None
    return int(found[1]) / 1e6


def test_the_daemon_says_that_it_lives_more_often_than_it_has_to() -> None:
    # Its longest rest, as the daemon's own tests hold it to a third of what it is given.
    assert seconds_of("WatchdogSec") / 3 >= 300.0


def test_set_up_waits_for_systemctl_as_long_as_systemd_waits_for_the_daemon() -> None:
    waits = install_units.systemctl("disable", "--now", "holdstill-nightly.service").timeout

    # systemd.service(5): TimeoutStopSec= is given to the stop, and again to ExecStopPost=.
    assert waits > 2 * seconds_of("TimeoutStopSec")
    # DefaultTimeoutStartSec= (systemd-system.conf(5)), since the unit has none of its own.
    assert waits > 90.0


@pytest.mark.parametrize("timer", [name for name in SHIPPED if name.endswith(".timer")])
def test_a_timer_keeps_off_the_hours_in_which_clocks_change(timer: str) -> None:
    text = (UNITS / timer).read_text(encoding="utf-8")

    found = re.findall(r"^OnCalendar=(.*)$", text, re.MULTILINE)

    assert len(found) == 1
    # Common practice: UTC, or local times that are never missing and never doubled.
    hour = re.search(r" (\d\d):\d\d", found[0])
    assert found[0].endswith(" UTC") or (hour and int(hour[1]) >= 4)
    programs.run("systemd-analyze", "calendar", found[0])


def test_s11_the_keepers_user_and_places_are_made(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    conf = "holdstill-keeper.conf"

    programs.run("systemd-sysusers", f"--root={tmp_path}", UNITS / "sysusers.d" / conf)
    planned = (UNITS / "tmpfiles.d" / conf).read_text(encoding="utf-8")

    passwd = (tmp_path / "etc/passwd").read_text(encoding="utf-8").split(":")
    assert passwd[0] == "keeper"
    assert passwd[5:] == ["/var/lib/holdstill-keeper", "/bin/sh\n"]
    homes = [line.split() for line in planned.splitlines() if line.startswith("d ")]
    owners = {words[1]: (words[3], words[4]) for words in homes}
    assert owners["/srv/holdstill"] == ("keeper", "keeper")
    # FAULTS S11: whoever can write to the store must not be able to add a key.
    assert owners["/var/lib/holdstill-keeper/.ssh"] == ("root", "root")


def test_the_boards_memory_is_for_root_alone(tmp_path: Path) -> None:
    said = (UNITS / "tmpfiles.d/holdstill-board.conf").read_text(encoding="utf-8")
    (line,) = [line for line in said.splitlines() if not line.startswith("#")]
    assert line.split()[3:5] == ["root", "root"]
    # tmpfiles.d(5): "-" is whoever runs it, and nobody else can give a directory to root.
    conf = tmp_path / "board.conf"
    conf.write_text(line.replace("root root", "- -") + "\n", encoding="utf-8")
    root = tmp_path / "root"
    root.mkdir()

    programs.run("systemd-tmpfiles", "--create", f"--root={root}", conf)

    assert stat.S_IMODE((root / "run/holdstill").stat().st_mode) == 0o700


def test_s44_the_daemon_has_no_powers_that_a_capture_does_not_need() -> None:
    said = programs.run(
        *("systemd-analyze", "security", "--offline=yes", "--no-pager", "--json=short"),
        UNITS / "holdstill-nightly.service",
    )

    rows = {row["json_field"]: row["set"] for row in json.loads(said)}
    assert rows["NoNewPrivileges"]
    assert rows["SystemCallFilter_debug"]  # ptrace(2) is one of these
    for name in ("SYS_MODULE", "SYS_RAWIO", "SYS_TIME", "SYS_BOOT", "NET_ADMIN"):
        field = next(f for f in rows if f.startswith("CapabilityBoundingSet") and name in f)
        assert rows[field], field
