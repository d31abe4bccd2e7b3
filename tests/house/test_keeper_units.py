"""The keeper's units as `keeper setup` installs them, by systemd's own checker."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from holdstill.errors import UsageError
from holdstill.workflow.keeper_units import KeeperUnits
from support import programs

SHIPPED = Path(__file__).parents[2] / "systemd"
PROGRAM = "/opt/holdstill/bin/holdstill"


def laid_out(top: Path, store: str, user: str) -> dict[str, str]:
    """Write the units below a root directory; return them by their names there."""
    wanted = KeeperUnits(SHIPPED, PROGRAM, Path(store), user, top).wanted()
    for path, text in wanted.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    folder = top / "etc/systemd/system"
    return {str(path.relative_to(folder)): text for path, text in wanted.items()}


def test_the_usual_store_needs_no_drop_in(tmp_path: Path) -> None:
    found = laid_out(tmp_path, "/srv/holdstill", "keeper")

    assert not [name for name in found if ".d/" in name]
    assert f"ExecStart={PROGRAM} thin --apply\n" in found["holdstill-keeper-thin.service"]


@pytest.mark.parametrize("store", ["/mnt/disk/captures", "/home/marina/captures"])
def test_another_store_and_user_are_in_a_drop_in_that_systemd_understands(
    tmp_path: Path, store: str
) -> None:
    system = Path("usr/lib/systemd/system")
    shutil.copytree(Path("/") / system, tmp_path / system, symlinks=True)
    (tmp_path / "opt/holdstill/bin").mkdir(parents=True)
    (tmp_path / PROGRAM.lstrip("/")).touch(mode=0o755)

    found = laid_out(tmp_path, store, "marina")

    own = found["holdstill-keeper-verify.service.d/holdstill-setup.conf"]
    assert f"User=marina\nReadWritePaths=-{store}\n" in own
    assert ("BindPaths=" in own) == store.startswith("/home")
    said = programs.attempt(
        *("systemd-analyze", f"--root={tmp_path}", "--man=no", "--recursive-errors=no"),
        *("verify", "holdstill-keeper-verify.service", "holdstill-keeper-thin.service"),
    )
    lines = (said.stdout + said.stderr).decode().splitlines()
    assert [line for line in lines if "holdstill" in line] == []


def test_units_of_the_package_are_not_copied(tmp_path: Path) -> None:
    packaged = tmp_path / "usr/lib/systemd/system"
    packaged.mkdir(parents=True)
    for unit in SHIPPED.glob("holdstill-keeper-*"):
        shutil.copy(unit, packaged)

    assert laid_out(tmp_path, "/srv/holdstill", "keeper") == {}


def test_a_path_that_a_unit_cannot_hold_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be written in a unit"):
        laid_out(tmp_path, "/srv/my captures", "keeper")


def test_timers_of_an_off_site_copy_are_for_a_store_that_has_one(tmp_path: Path) -> None:
    units = KeeperUnits(SHIPPED, PROGRAM, tmp_path, "keeper", tmp_path)
    usual = {f"holdstill-keeper-{deed}.timer" for deed in ("verify", "thin", "watch")}
    more = {f"holdstill-keeper-offsite-{deed}.timer" for deed in ("upload", "verify")}

    assert {timer.name for timer in units.timers()} == usual
    (tmp_path / "offsite.yaml").touch()
    assert {timer.name for timer in units.timers()} == usual | more


def test_every_timer_can_be_told_to_cron(tmp_path: Path) -> None:
    units = KeeperUnits(SHIPPED, PROGRAM, tmp_path, "keeper", tmp_path)
    assert not [line for line in units.cron_lines() if " offsite " in line]
    (tmp_path / "offsite.yaml").touch()

    lines = units.cron_lines()

    # crontab(5): minutes 0 to 59, and ranges with steps.
    assert len(lines) == len(units.timers())
    assert f"0-59/15 * * * * keeper {PROGRAM} offsite upload --in-turn" in lines
    assert f"17 * * * * keeper {PROGRAM} keeper watch" in lines
