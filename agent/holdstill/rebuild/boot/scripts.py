"""U-Boot scripts and files of variables: what they would do, as far as it is plain."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from holdstill.rebuild import uboot_files
from holdstill.rebuild.boot import commandline, menus
from holdstill.rebuild.boot.commandline import Initramfs
from holdstill.rebuild.boot.report import Chain, KernelFile, found, missing, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.rebuild.boot.report import ChainLink

SCRIPTS = (b"boot.scr", b"boot/boot.scr", b"boot.scr.uimg", b"boot/boot.scr.uimg")
VARIABLE_FILES = re.compile(r".*[eE]nv\.txt")
IMAGES = (b"Image", b"Image.gz", b"zImage", b"uImage", b"vmlinuz", b"vmlinux", b"fitImage")


def script_chains(card: BootCard, *, earlier: Sequence[Chain]) -> Iterator[Chain]:
    """Yield a chain for each boot script; what it would do is seen only as far as it is plain."""
    for volume, path in menus.files_of(card, SCRIPTS):
        yield _script_chain(card, volume, path, menus.loader_link(card, volume, earlier))
    if not any(True for _ in menus.files_of(card, SCRIPTS)):
        for volume in card.volumes:
            if volume.file(b"uEnv.txt"):
                yield _variables_chain(card, volume, menus.loader_link(card, volume, earlier))


def _script_chain(card: BootCard, volume: BootVolume, path: bytes, first: ChainLink) -> Chain:
    title = f"boot script on {volume.name}"
    content = volume.read(path) or b""
    text = uboot_files.script_text(content)
    shown = path.decode()
    if text is None:
        if content.startswith(bytes.fromhex("d00dfeed")):
            packed = (first, unknown("script", f"{shown} is a signed or packed one"))
            return Chain(
                title, packed, _some_kernel(volume, path) or KernelFile(volume.number, path)
            )
        return Chain(title, (first, missing("script", f"{shown} is damaged")))
    # The files of variables beside a script.
    folder = path.rpartition(b"/")[0]
    names = [
        n for n in volume.names(folder) if VARIABLE_FILES.fullmatch(n.decode(errors="replace"))
    ]
    texts = [volume.text(folder + b"/" + name if folder else name) or "" for name in names]
    variables = "\n".join(texts)
    words = text.decode(errors="replace") + "\n" + variables
    links = (first, found("script", shown), *_plain_links(card, volume, path, words))
    kernel = _some_kernel(volume, path)
    return Chain(title, links, kernel and _rooted(kernel, _root_of(words)))


def _variables_chain(card: BootCard, volume: BootVolume, first: ChainLink) -> Chain:
    words = volume.text(b"uEnv.txt") or ""
    links = (
        first,
        found("variables", "uEnv.txt"),
        *_plain_links(card, volume, b"uEnv.txt", words),
    )
    kernel = _some_kernel(volume, b"uEnv.txt")
    title = f"uEnv.txt on {volume.name}"
    return Chain(title, links, kernel and _rooted(kernel, _root_of(words)))


def _rooted(kernel: KernelFile, root: str | None) -> KernelFile:
    return KernelFile(kernel.volume, kernel.path, root, kernel.init)


def _plain_links(
    card: BootCard, volume: BootVolume, script: bytes, text: str
) -> Iterator[ChainLink]:
    """Yield what can be determined about a script without running it."""
    kernel = _some_kernel(volume, script)
    if kernel:
        yield found("kernel", kernel.path.decode(errors="replace"))
    else:
        yield missing("kernel", f"no {', '.join(name.decode() for name in IMAGES[:4])} beside it")
    root = _root_of(text)
    if root is None or menus.VARIABLE.search(root):
        yield unknown("root=", "the script works it out on the board")
    else:
        yield from commandline.root_links(card, f"root={root}", initramfs=Initramfs.UNKNOWN)


def _root_of(text: str) -> str | None:
    for key in ("rootdev", "rootuuid", "root"):
        plain: list[str] = re.findall(
            rf"(?:^|[\s\"'=]){key}=((?:\w+=)?[^\s\"';]+)", text, re.MULTILINE
        )
        usable = [word for word in plain if not word.startswith("$")]
        if usable:
            return usable[-1]
    return None


def _some_kernel(volume: BootVolume, script: bytes) -> KernelFile | None:
    """Find a kernel beside a script, by the names that they have."""
    for folder in dict.fromkeys((script.rpartition(b"/")[0], b"boot", b"")):
        for name in volume.names(folder):
            plain = any(name == image or name.startswith(image + b"-") for image in IMAGES)
            path = folder + b"/" + name if folder else name
            if plain and volume.file(path):
                return KernelFile(volume.number, path)
    return None
