"""The Debian package, as dpkg's own tools read it; all but one test pack stand-ins for modules."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.version import VERSION
from support import debian_package, programs

if TYPE_CHECKING:
    from support.debian_package import Package

TOP = Path(__file__).parents[2]
LAY = """\
set -euo pipefail
top=$1 work=$2 here=$1/configs/package version=0.1.0 revision=7 arch=arm64 pythons=(3.11 3.12)
. "$here/wheels.sh"
. "$here/tree.sh"
lay_tree
write_control
pack "$work/package.deb"
"""
"""What configs/package/build does once it has the wheels."""
SOURCE = """\
set -euo pipefail
top=$1 work=$2 version=0.1.0 pip=(echo) arch=amd64
. "$top/configs/package/wheels.sh"
mapfile -t for_arch < <(platforms)
own_wheel
for_python 3.11 download
"""
"""What it does before, with a pip that only says what it was told."""
PLACES = re.compile(
    r"(opt|usr|usr/bin|usr/lib|usr/share|usr/share/doc)$"
    r"|opt/holdstill(/|$)|usr/bin/holdstill$|usr/share/doc/holdstill(/|$)"
    r"|usr/lib/(systemd(/system(/holdstill-[^/]+)?)?|tmpfiles\.d(/holdstill-board\.conf)?)$"
    r"|usr/share/bash-completion(/completions(/holdstill)?)?$"
    r"|usr/share/man(/man1(/holdstill\.1(\.gz)?)?)?$"
)
COMMON = "opt/holdstill/lib/common"
OWN = "opt/holdstill/lib/python{}/site-packages"


def lay(work: Path, umask: int = 0o022) -> Path:
    """Make a package of this tree and a few modules, and return it."""
    for python in ("3.11", "3.12"):
        site = work / "site" / python
        for name, text in {
            "holdstill/cli/main.py": "def main():\n    return 0\n",
            "fast/engine.so": f"for {python} only",
            "fast-1.0.dist-info/RECORD": f"../../bin/fast,{work},1\nfast/engine.so,,\n",
            "fast-1.0.dist-info/METADATA": "Name: fast\nVersion: 1.0\nLicense: MIT\n\nName: no\n",
            "bin/fast": "#!/somewhere/else/python3\n",
            "share/holdstill/systemd/stale.service": "",
        }.items():
            (site / name).parent.mkdir(parents=True, exist_ok=True)
            (site / name).write_text(text, encoding="utf-8")
    subprocess.run(
        ["bash", "-c", LAY, "lay", TOP, work], check=True, umask=umask,
        env=programs.PLAIN | {"SOURCE_DATE_EPOCH": "1700000000"},
    )  # fmt: skip
    return work / "package.deb"


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Package:
    return debian_package.read(lay(tmp_path_factory.mktemp("package")))


def check_members(package: Package) -> None:
    """Fail if something is in the wrong place, somebody else's, or open to others."""
    for name, member in package.members.items():
        assert not name or PLACES.match(name), name
        assert (member.uid, member.gid) == (0, 0), name
        assert member.issym() or member.mode in {0o644, 0o755}, name


def test_everything_is_root_s_and_in_its_place(package: Package) -> None:
    check_members(package)

    assert package.members["usr/bin/holdstill"].linkname == "/opt/holdstill/bin/holdstill"
    assert package.members["opt/holdstill/bin/holdstill"].mode == 0o755


def test_it_depends_on_what_the_guide_has_a_person_install(package: Package) -> None:
    readme = (TOP / "README.md").read_text(encoding="utf-8")
    (guide,) = re.findall(r"^sudo apt-get install -y (.*)$", readme, re.MULTILINE)

    depends = package.depends()

    # util-linux is on every Debian (Debian Policy 3.8, essential packages).
    assert {*guide.split()} - {"python3-venv", "util-linux"} <= {*depends}
    assert depends["libc6"] == "(>= 2.36)"
    assert depends["python3"] == "(>= 3.11)(<< 3.13~)"
    assert package.field("Architecture") == "arm64"
    assert package.field("Version") == "0.1.0-7"


def test_the_checksums_are_those_of_the_files(package: Package) -> None:
    said = {line[34:]: line[:32] for line in package.script("md5sums").splitlines()}

    # The format is that of deb-md5sums(5).
    assert said == {
        name: hashlib.md5(content, usedforsecurity=False).hexdigest()
        for name, content in package.contents.items()
    }


def test_units_start_the_program_where_the_package_has_it(package: Package) -> None:
    for unit in (TOP / "systemd").glob("*.*er*"):
        wanted = unit.read_bytes().replace(b"/usr/local/bin/holdstill", b"/usr/bin/holdstill")

        assert package.contents[f"usr/lib/systemd/system/{unit.name}"] == wanted
        assert package.contents[f"opt/holdstill/share/holdstill/systemd/{unit.name}"] == wanted
    assert "opt/holdstill/share/holdstill/systemd/stale.service" not in package.members


def test_a_board_does_not_become_a_keeper(package: Package) -> None:
    active = [
        name for name in package.members if re.match(r"usr/lib/(tmpfiles|sysusers)\.d/", name)
    ]

    assert active == ["usr/lib/tmpfiles.d/holdstill-board.conf"]


def test_what_all_pythons_have_alike_is_there_once(package: Package) -> None:
    copies = [name for name in package.members if name.endswith(("cli/main.py", "engine.so"))]

    assert sorted(copies) == [
        f"{COMMON}/holdstill/cli/main.py",
        *(f"{OWN.format(python)}/fast/engine.so" for python in ("3.11", "3.12")),
    ]
    assert b"\nfast 1.0: MIT\n" in package.contents["usr/share/doc/holdstill/copyright"]


def test_scripts_are_shell_and_enable_nothing(package: Package) -> None:
    for name in ("preinst", "postinst", "prerm", "postrm"):
        script = package.script(name)

        programs.run("sh", "-n", stdin=script.encode())
        assert not re.search(r"systemctl\s+(-\S+\s+)*(enable|preset|unmask)", script)
        # What a person cannot make again is not theirs to remove.
        assert not re.search(r"\brm\b.*(/etc/holdstill|/var/lib|/srv)", script)


def test_our_wheel_is_made_of_all_that_is_installed(tmp_path: Path) -> None:
    said = programs.run("bash", "-c", SOURCE, "source", TOP, tmp_path).decode()

    tools = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    patterns = [name for names in tools["setuptools"]["data-files"].values() for name in names]
    assert [name for name in patterns if not list((tmp_path / "source").glob(name))] == []
    # The page's unit is in the package, so what it imports has to be there, too.
    assert said.splitlines()[-1].endswith(f" holdstill[page]=={VERSION}")


def test_from_the_same_tree_come_the_same_bytes(package: Package, tmp_path: Path) -> None:
    again = lay(tmp_path, umask=0o077)

    assert again.read_bytes() == package.path.read_bytes()


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_it_is_built_without_network_from_a_folder_of_wheels(tmp_path: Path) -> None:
    build, wheels = TOP / "configs/package/build", tmp_path / "wheels"
    programs.run(build, "--wheelhouse", wheels, timeout=900)
    # Common practice: port 9 discards, and nobody is there.
    nowhere = {f"{kind}_proxy": "http://127.0.0.1:9" for kind in ("http", "https")}

    subprocess.run(
        [build, "--from", wheels, tmp_path], check=True, timeout=900, env=os.environ | nowhere
    )

    (path,) = tmp_path.glob("*.deb")
    package = debian_package.read(path)
    check_members(package)
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    bundled = package.contents["usr/share/doc/holdstill/copyright"].decode().lower()
    for dependency in (*project["dependencies"], *project["optional-dependencies"]["page"]):
        name = re.split(r"[^\w-]", dependency)[0]
        assert f"\n{name} " in bundled
    # PEP 405: an environment is where its pyvenv.cfg is, so it can be tried uninstalled.
    programs.run("dpkg-deb", "--extract", path, tmp_path / "root")
    home = tmp_path / "root/opt/holdstill"
    version = programs.run(home / "bin/python3", "-B", home / "bin/holdstill", "--version")
    assert version.decode() == f"holdstill {VERSION}\n"
