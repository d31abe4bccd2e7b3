"""A Debian package, as dpkg's own tools read it."""

from __future__ import annotations

import io
import tarfile
from dataclasses import dataclass
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Package:
    """What is in a package.

    Attributes:
        members: by path from the root, which has an empty one itself; no slash in front.
        contents: of every plain file, its bytes.
    """

    path: Path
    members: dict[str, tarfile.TarInfo]
    contents: dict[str, bytes]

    def field(self, name: str) -> str:
        """Return a field of its control file."""
        return programs.run("dpkg-deb", "--field", self.path, name).decode().strip()

    def depends(self) -> dict[str, str]:
        """Return the packages that it depends on, each with its bounds."""
        bounds: dict[str, str] = {}
        for words in self.field("Depends").split(","):
            name, _, bound = words.strip().partition(" ")
            bounds[name] = f"{bounds.get(name, '')}{bound}"
        return bounds

    def script(self, name: str) -> str:
        """Return one of the files that dpkg reads or runs."""
        return programs.run("dpkg-deb", "--info", self.path, name).decode()


def read(path: Path) -> Package:
    """Read a package whole."""
    tree = programs.run("dpkg-deb", "--fsys-tarfile", path)
    members, contents = {}, {}
    with tarfile.open(fileobj=io.BytesIO(tree)) as tar:
        for member in tar:
            name = member.name.removeprefix(".").strip("/")
            members[name] = member
            if member.isreg():
                found = tar.extractfile(member)
                assert found is not None
                contents[name] = found.read()
    return Package(path, members, contents)
