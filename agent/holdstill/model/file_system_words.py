"""What people call a file system, in a few words. Pure."""

from __future__ import annotations

import msgspec

from holdstill.model.layout import ArrayMember, Ext4, Fat, FileSystem, LvmPv, Subvolume


def of(kind: FileSystem) -> str:
    """Describe a file system in a few words."""
    match kind:
        case Ext4(uuid=uuid, label=label):
            return _joined(_ext_name(kind), label, uuid)
        case Fat(bits=bits, label=label):
            return _joined(f"FAT{bits}", label, kind.uuid)
        case Subvolume(is_read_only=is_read_only, is_default=is_default):
            marks = [
                *(["read-only"] if is_read_only else []),
                *(["default"] if is_default else []),
            ]
            return _joined("subvolume", *marks)
        case LvmPv(group=group):
            return f"LVM, volume group {group}"
        case ArrayMember(name=name, uuid=uuid):
            return f"member of the array {name or uuid}"
        case _:
            words = msgspec.to_builtins(kind)
            name = words.get("type") or words["kind"]
            return _joined(str(name), str(words.get("label", "")), str(words.get("uuid", "")))


def _ext_name(kind: Ext4) -> str:
    if "extent" in kind.features or "extents" in kind.features:
        return "ext4"
    return "ext3" if "has_journal" in kind.features else "ext2"


def _joined(*words: str) -> str:
    return " ".join(word for word in words if word)
