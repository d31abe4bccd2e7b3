"""The manifest as bytes: YAML that ends in its own checksum.

The last line is `checksum: <SHA-256 of every byte before it>`: a manifest that was cut short is
recognised before it is parsed. The bytes are what is signed; they are never written again from
what was read.
"""

from __future__ import annotations

import hashlib

import msgspec
import yaml

from holdstill.errors import DocumentError, SecurityError
from holdstill.model import manifest_check, strict_yaml
from holdstill.model.manifest import FORMAT, LIMIT, Manifest
from holdstill.model.names import Digest

_KEY = b"checksum: "
_NEXT_LINE = "\x85"
_LINE = len(_KEY) + 64 + 1


class _Dumper(yaml.SafeDumper):
    """Safe, and without aliases for parts that happen to be one object."""

    def ignore_aliases(self, data: object) -> bool:  # noqa: ARG002  PyYAML's signature
        return True


def _represent_text(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    """Quote what our loader would not read as text: 1e5 is a number in one YAML only."""
    style = "'" if strict_yaml.needs_quotes(text) else None
    if _NEXT_LINE in text:
        style = '"'  # in any other style PyYAML reads it back as a newline
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _represent_text)


def encode(manifest: Manifest) -> bytes:
    """Write a manifest."""
    plain = msgspec.to_builtins(manifest)
    body = yaml.dump(plain, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=99).encode()
    return body + _KEY + hashlib.sha256(body).hexdigest().encode() + b"\n"


def decode(data: bytes, name: str = "manifest") -> Manifest:
    """Read a manifest.

    Raises:
        SecurityError: cut short or altered, before anything is parsed.
        DocumentError: its content is not that of a manifest.
    """
    if len(data) > LIMIT:
        raise SecurityError(f"{name}: larger than a manifest may be ({LIMIT} bytes)")
    body, line = data[:-_LINE], data[-_LINE:]
    if not body.endswith(b"\n") or not line.startswith(_KEY) or not line.endswith(b"\n"):
        raise SecurityError(f"{name}: its last line is missing: it was cut short")
    if line[len(_KEY) : -1] != hashlib.sha256(body).hexdigest().encode():
        raise SecurityError(f"{name}: its checksum is wrong: it was altered or damaged")
    checked_body = body
    document = strict_yaml.load_yaml(checked_body, name, limit=LIMIT)
    version = document.get("format") if isinstance(document, dict) else None
    if version != FORMAT:
        raise SecurityError(
            f"{name}: format {version!r} is not one that this version reads ({FORMAT})",
            hint="use the version of holdstill that made it, or a newer one",
        )
    manifest = strict_yaml.decode(document, Manifest, name)
    if problems := manifest_check.complaints(manifest):
        raise DocumentError(name, problems)
    return manifest


def digest(data: bytes) -> Digest:
    """Return the digest by which a ledger and the next manifest name this one."""
    return Digest(hashlib.sha256(data).hexdigest())
