"""dpkg-query(1) is the witness for what its status file says."""

from pathlib import Path

import pytest

from holdstill.workflow import dpkg_status
from support import programs

HERE = Path("/var/lib/dpkg/status")


@pytest.mark.skipif(not HERE.exists(), reason="not a Debian system")
def test_the_packages_of_this_machine_are_those_that_dpkg_names(tmp_path: Path) -> None:
    (tmp_path / "status").write_bytes(HERE.read_bytes())
    form = "${Package}:${Architecture} ${Version} ${db:Status-Status}\n"
    said = programs.run("dpkg-query", f"--admindir={tmp_path}", "--show", f"--showformat={form}")
    rows = [line.split(" ") for line in said.decode().splitlines()]

    found = dpkg_status.installed(HERE.read_bytes())

    assert found == {n: v for n, v, s in rows if s not in {"not-installed", "config-files"}}
    assert len(found) > 50
