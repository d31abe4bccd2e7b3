"""Files that identify the machine: hostname, hosts, machine-id, settings of holdstill."""

from __future__ import annotations

import re

from holdstill.rebuild.id_map import RewrittenText


def with_hostname(content: bytes, old: str, new: str) -> RewrittenText:
    """Return /etc/hosts, or a file with nothing but a name, with a new host name (hosts(5)).

    Only the first label of a name is exchanged: pier-3.harbour becomes pier-4.harbour.
    """
    if not old:
        return RewrittenText(content, ())
    label = re.compile(rb"(?<![\w.-])" + re.escape(old.encode()) + rb"(?![\w-])")
    lines = [
        line if line.lstrip().startswith(b"#") else label.sub(new.encode(), line)
        for line in content.splitlines(keepends=True)
    ]
    changed = b"".join(lines)
    return RewrittenText(changed, () if changed == content else ((old, new),))


def with_machine_id(content: bytes, old: str, new: str) -> RewrittenText:
    """Return a boot loader entry whose machine-id line follows; paths with the old one stay."""
    line = re.compile(rb"^(machine-id\s+)" + re.escape(old.encode()) + rb"\b", re.MULTILINE)
    changed = line.sub(rb"\g<1>" + new.encode(), content) if old else content
    return RewrittenText(changed, () if changed == content else ((old, new),))


def with_board(content: bytes, old: str, new: str) -> RewrittenText:
    """Return the agent's settings with the new board's name."""
    line = re.compile(
        rb"^(board:\s*[\"']?)" + re.escape(old.encode()) + rb"(?![\w-])", re.MULTILINE
    )
    changed = line.sub(rb"\g<1>" + new.encode(), content) if old else content
    return RewrittenText(changed, () if changed == content else ((old, new),))
