"""Build the emulated board pier-3: its Debian root tree (cached) and its cards.

No mounts and no loop devices; root is needed, because the tree's files belong to many owners.
The tree takes half a minute and a package mirror, so it is kept under $HOLDSTILL_VM_CACHE, in
a directory named for the digest of all that it was made from.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import sys
import tempfile
import tomllib
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.version import VERSION
from support import programs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

HERE = Path(__file__).parent
PROJECT = HERE.parents[2]
GUEST = HERE / "guest"
# The gauge of the demonstration is the gauge of this board: one program, one judge.
GAUGE = {
    "gauge.py": PROJECT / "agent/holdstill/demo/tide_gauge.py",
    "found.py": PROJECT / "agent/holdstill/demo/gauge_check.py",
}
BUILD_TREE = HERE / "build_tree.sh"
SYSTEMD_BOOT = Path("/usr/lib/systemd/boot/efi/systemd-bootx64.efi")
BINFMT = Path("/proc/sys/fs/binfmt_misc")
BINFMT_SETTINGS = Path("/usr/lib/binfmt.d")
COMPILE = PROJECT / "configs/package/compile"
PI_DEVICE_TREE = "bcm2837-rpi-3-b.dtb"
MASTER_BOOT_CODE = Path("/usr/lib/syslinux/mbr/mbr.bin")

PATIENT = "etc/systemd/system.conf.d/patient.conf"
PATIENCE = "[Manager]\nDefaultDeviceTimeoutSec=600\n"
"""Beside other tests, an emulated Pi was seen to need more than 90 s until its card was there."""

MIB = 1 << 20
SECTOR = 512
FAT_START = 4 * MIB
FAT_SIZE = 256 * MIB
ROOT_START = FAT_START + FAT_SIZE


class Architecture(Enum):
    """A kind of processor, as Debian calls it."""

    AMD64 = "amd64"
    ARM64 = "arm64"
    ARMHF = "armhf"

    @property
    def machine(self) -> str:
        """What pip calls it."""
        return {"amd64": "x86_64", "arm64": "aarch64", "armhf": "armv7l"}[self.value]

    @property
    def emulated_as(self) -> str:
        """What the emulator of its programs is registered as."""
        return {"amd64": "qemu-x86_64", "arm64": "qemu-aarch64", "armhf": "qemu-arm"}[self.value]

    @property
    def wheels(self) -> tuple[str, ...]:
        """How pip is told what the board's Python can use: bookworm's 3.11 on glibc 2.36."""
        levels = ("manylinux_" + minor for minor in ("2_36", "2_34", "2_31", "2_28", "2_17"))
        platforms = (f"--platform={level}_{self.machine}" for level in (*levels, "linux"))
        return (
            *("--python-version=3.11", "--implementation=cp", "--only-binary=:all:"),
            *platforms,
        )

    @property
    def consoles(self) -> str:
        """What the kernel is told about its serial lines."""
        if self is Architecture.AMD64:
            return "console=ttyS0"
        if self is Architecture.ARMHF:
            return "console=ttyAMA0,115200"
        # The second one is what Linux' device tree of a Pi 3 calls its first line.
        return "console=ttyAMA0,115200 console=ttyS1,115200"


@dataclass(frozen=True)
class Flavour:
    """A kind of board, by the packages it has beyond those of every board."""

    name: str
    packages: tuple[str, ...] = ()
    architecture: Architecture = Architecture.AMD64


PLAIN = Flavour("plain")
ARM = Flavour("arm", architecture=Architecture.ARM64)
NARROW_ARM = Flavour("narrow-arm", ("quota",), Architecture.ARMHF)
"""A 32-bit system with a 32-bit kernel."""
DATABASES = Flavour("databases", ("postgresql", "mosquitto", "mosquitto-clients"))
FILE_SYSTEMS = Flavour("file-systems", ("btrfs-progs",))
"""One whose kernel knows btrfs, squashfs and overlays, from the initramfs on."""
LAYERS = Flavour(
    "layers",
    (
        *("lvm2", "cryptsetup", "cryptsetup-initramfs", "mdadm", "xfsprogs"),
        *("fsverity", "quota"),
    ),
)
"""One whose initramfs finds a root on logical volumes, and unlocks one; with what sets
quotas and seals files."""
KEEPING = Flavour("keeping", ("qemu-system-x86", "ovmf", "mtools", "syslinux"))
"""A machine that can be a keeper, and rehearse: an emulator in the emulator."""


@dataclass(frozen=True)
class Tree:
    """A root tree, and how to log in to what boots from it."""

    root: Path
    key: Path
    architecture: Architecture

    @property
    def host_key(self) -> str:
        """The public key with which the board proves that it is the board."""
        words = (self.root / "etc/ssh/ssh_host_ed25519_key.pub").read_text().split()
        return " ".join(words[:2])


class Table(Enum):
    """A kind of partition table."""

    MBR = "dos"
    GPT = "gpt"


ESP = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
LINUX_ROOT = "4F68BCE3-E8CD-4DB1-96E7-FBCAF984B709"
"""Types of a UEFI system partition and of an x86-64 root (UAPI Discoverable Partitions)."""


@dataclass(frozen=True)
class Ids:
    """What names the card, its partitions and its file systems."""

    table: Table = Table.MBR
    disk: str = "b0a2d001"
    fat: str = "0F1E2D3C"
    root: str = "5f2c9d1e-8a77-4c1b-9b0e-3d6a1f00c0de"

    def partition(self, number: int) -> str:
        """Return a PARTUUID: for an MBR disk the kernel makes it up."""
        return f"{self.disk}-{number:02x}" if self.table is Table.MBR else self.guid(number)

    def guid(self, number: int) -> str:
        """Return the GUID of a partition of a GPT, or with 0 that of the disk."""
        return f"{self.disk}-0000-4000-8000-{number:012x}"


@dataclass(frozen=True)
class Card:
    """A card image, and what is known about it."""

    image: Path
    ids: Ids
    tree: Tree


# --- the tree -----------------------------------------------------------------------------------


def tree(flavour: Flavour = PLAIN) -> Tree:
    """Return the root tree of a kind of board, from the cache if it is there."""
    kept = cache() / f"{flavour.name}-{digest(flavour)}"
    with locked(cache() / f"{flavour.name}.lock"):
        if not kept.exists():
            build_tree(flavour, kept)
    return Tree(kept / "root", kept / "key", flavour.architecture)


def cache() -> Path:
    """Return the directory that keeps trees from one run to the next."""
    stated = os.environ.get("HOLDSTILL_VM_CACHE")
    directory = Path(stated) if stated else Path.home() / ".cache/holdstill-vm"
    directory.mkdir(parents=True, exist_ok=True)
    return directory


def digest(flavour: Flavour) -> str:
    """Name everything that a tree is made from, but for the packages' versions."""
    parts = [BUILD_TREE.read_text(), *flavour.packages, "--", *requirements()]
    parts += flavour.architecture.wheels
    return hashed("\n".join(parts))


def hashed(text: str) -> str:
    """Return a name for a text."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def requirements() -> list[str]:
    """Return what the agent needs from Python's package index."""
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    return sorted(str(name) for name in project["dependencies"])


@contextmanager
def locked(lock: Path) -> Iterator[None]:
    """Keep other test runs from building the same thing at the same time."""
    with lock.open("wb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def build_tree(flavour: Flavour, kept: Path) -> None:
    """Build a tree beside its place and rename it there when it is whole."""
    with scratch(cache()) as work:
        programs.run(
            "ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "board-test", "-f", work / "key"
        )
        pip = (sys.executable, "-m", "pip", "install", "--quiet", "--target", work / "lib")
        is_narrow = flavour.architecture is Architecture.ARMHF
        sources = main_source(work) if is_narrow else apt_sources()
        where = (work / "root", sources, work / "lib", work / "key.pub")
        with able_to_run(flavour.architecture):
            more = compiled(flavour.architecture)
            wheels = (*flavour.architecture.wheels, *more, *requirements())
            programs.run(*pip, *wheels, timeout=300)
            words = (BUILD_TREE, flavour.architecture.value)
            log = programs.run(*words, *where, *flavour.packages, timeout=3600)
        (work / "build.log").write_bytes(log)
        shutil.rmtree(work / "lib")
        work.rename(kept)


def compiled(architecture: Architecture) -> tuple[str, ...]:
    """Tell pip where the wheels are that nobody offers; compile them first, if need be."""
    if architecture is not Architecture.ARMHF:
        return ()
    kept = cache() / f"wheels-{architecture.value}-{hashed(COMPILE.read_text())}"
    if not kept.exists():
        with scratch(cache()) as work:
            words = ("--arch", architecture.value, "--sources", apt_sources())
            programs.run(COMPILE, *words, work / "wheels", timeout=3600)
            (work / "wheels").rename(kept)
    return ("--find-links", str(kept))


@contextmanager
def able_to_run(architecture: Architecture) -> Iterator[None]:
    """Have the kernel run another processor's programs through an emulator, if it does not yet."""
    if programs.attempt("arch-test", architecture.value).returncode == 0:
        yield
        return
    with ExitStack() as undo:
        if not (BINFMT / "register").exists():
            programs.run("mount", "-t", "binfmt_misc", "binfmt_misc", BINFMT)
            undo.callback(programs.run, "umount", BINFMT)
        name = architecture.emulated_as
        (BINFMT / "register").write_bytes((BINFMT_SETTINGS / f"{name}.conf").read_bytes().strip())
        undo.callback((BINFMT / name).write_bytes, b"-1")
        yield


def apt_sources() -> Path:
    """Return the file that says where this machine gets its Debian packages."""
    stated = os.environ.get("HOLDSTILL_VM_SOURCES")
    places = ("/etc/apt/sources.list.d/debian.sources", "/etc/apt/sources.list")
    return next(Path(p) for p in ([stated] if stated else places) if Path(p).exists())


def main_source(folder: Path) -> Path:
    """Write the first entry of the file alone: other mirrors have not all architectures."""
    given = apt_sources()
    first = given.read_text().split("\n\n" if given.suffix == ".sources" else "\n")[0]
    made = folder / given.name
    made.write_text(first + "\n")
    return made


@contextmanager
def scratch(parent: Path) -> Iterator[Path]:
    """Make a directory that is gone afterwards, unless it was renamed away."""
    work = Path(tempfile.mkdtemp(prefix=".work-", dir=parent))
    try:
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)


# --- the card -----------------------------------------------------------------------------------


def build_card(
    made_from: Tree,
    image: Path,
    *,
    ids: Ids | None = None,
    size: int = 2 << 30,
    furnished: Callable[[Path, Ids], None] | None = None,
) -> Card:
    """Make a bootable card: MBR, FAT32 boot partition, ext4 root; size a power of two.

    For a PC it boots in two ways: UEFI firmware finds plain files on the FAT, as a Pi's firmware
    does; an old PC's firmware finds syslinux in the sectors. For Arm: a Pi's firmware and U-Boot
    find plain files. furnished: what makes a machine of the tree; the board pier-3 by default.
    """
    ids = ids or Ids()
    with scratch(cache()) as work:
        # Hard links: the copy costs no space, so nothing below may write into an existing file.
        programs.run("cp", "--archive", "--link", made_from.root, work / "root")
        with able_to_run(made_from.architecture):
            (furnished or furnish)(work / "root", ids)
            if made_from.architecture is not Architecture.AMD64:
                replace(work / "root" / PATIENT, PATIENCE)
        boot = boot_files(work, ids, made_from.architecture)
        image.unlink(missing_ok=True)
        image.touch()
        os.truncate(image, size)
        write_table(image, ids)
        write_fat(image, boot, ids)
        if made_from.architecture is Architecture.AMD64 and ids.table is Table.MBR:
            write_boot_code(image)
        write_root(image, work / "root", ids)
    return Card(image, ids, made_from)


def furnish(root: Path, ids: Ids) -> None:
    """Make of a Debian tree the board pier-3 with its gauge and its agent."""
    replace(root / "etc/hostname", "pier-3\n")
    replace(root / "etc/hosts", "127.0.0.1 localhost\n127.0.1.1 pier-3\n")
    replace(root / "etc/fstab", fstab(ids))
    for name, source in GAUGE.items():
        replace(root / "opt/tide-gauge" / name, source.read_text())
    unit = (GUEST / "tide-gauge.service").read_text()
    replace(root / "etc/systemd/system/tide-gauge.service", unit)
    programs.run("chroot", root, "systemctl", "--quiet", "enable", "tide-gauge.service")
    install_agent(root)


def fstab(ids: Ids) -> str:
    """Return the board's table of file systems, by ids that a rebuild has to keep."""
    return (
        f"PARTUUID={ids.partition(1)} /boot/firmware vfat defaults,flush 0 2\n"
        f"PARTUUID={ids.partition(2)} / ext4 defaults,noatime 0 1\n"
    )


def install_agent(root: Path) -> None:
    """Put this checkout's agent where a user would: in its environment under /opt."""
    place = "opt/holdstill/lib/python3.11/site-packages"
    skip = shutil.ignore_patterns("__pycache__")
    shutil.copytree(PROJECT / "agent/holdstill", root / place / "holdstill", ignore=skip)
    # What an installer leaves beside a package, so that it can tell its own version.
    about = f"Metadata-Version: 2.1\nName: holdstill\nVersion: {VERSION}\n"
    replace(root / place / f"holdstill-{VERSION}.dist-info/METADATA", about)
    start = "import sys\nfrom holdstill.__main__ import main\n\nsys.exit(main())\n"
    replace(root / "opt/holdstill/bin/holdstill", "#!/opt/holdstill/bin/python3\n" + start, 0o755)
    (root / "usr/local/bin/holdstill").symlink_to("/opt/holdstill/bin/holdstill")
    python = ("chroot", root, "/opt/holdstill/bin/python3")
    programs.run(*python, "-m", "compileall", "-q", f"/{place}/holdstill")


def replace(path: Path, content: str, mode: int = 0o644) -> None:
    """Put a new file in the place of an old one, which may be shared with the cache."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    path.write_text(content, encoding="utf-8")
    path.chmod(mode)


def command_line(ids: Ids, architecture: Architecture) -> str:
    """Return what the kernel is told at boot."""
    root = f"root=PARTUUID={ids.partition(2)} rootfstype=ext4 rootwait ro"
    return f"{root} {architecture.consoles} quiet"


def boot_files(work: Path, ids: Ids, architecture: Architecture) -> Path:
    """Lay out what goes on the FAT: kernel, initramfs, and the loaders with their settings."""
    boot, words = work / "boot", command_line(ids, architecture)
    for name in ("vmlinuz", "initrd.img"):
        (newest,) = (work / "root/boot").glob(f"{name}-*")
        copy_to(newest, boot / name)
    replace(boot / "cmdline.txt", words + "\n")
    if architecture is Architecture.AMD64:
        pc_boot_files(boot, words)
    elif architecture is Architecture.ARMHF:
        replace(boot / "extlinux/extlinux.conf", menu(words))
    else:
        (tree,) = (work / "root/usr/lib").glob(f"linux-image-*/broadcom/{PI_DEVICE_TREE}")
        copy_to(tree, boot / PI_DEVICE_TREE)
        arm_boot_files(boot, words)
    return boot


def pc_boot_files(boot: Path, words: str) -> None:
    """Lay out systemd-boot, for UEFI, and the settings of syslinux."""
    replace(boot / "loader/loader.conf", "default board.conf\ntimeout 0\n")
    entry = f"title board\nlinux /vmlinuz\ninitrd /initrd.img\noptions {words}\n"
    replace(boot / "loader/entries/board.conf", entry)
    copy_to(SYSTEMD_BOOT, boot / "EFI/BOOT/BOOTX64.EFI")
    replace(boot / "syslinux.cfg", menu(words))


def arm_boot_files(boot: Path, words: str) -> None:
    """Lay out the settings of a Pi's firmware and of U-Boot."""
    names = f"kernel=vmlinuz\ninitramfs initrd.img followkernel\ndevice_tree={PI_DEVICE_TREE}\n"
    replace(boot / "config.txt", f"arm_64bit=1\nenable_uart=1\n{names}")
    replace(boot / "extlinux/extlinux.conf", menu(words))


def menu(words: str) -> str:
    """Return a menu of one entry, in the language of SYSLINUX, which U-Boot speaks too."""
    label = f"LABEL board\n  KERNEL /vmlinuz\n  INITRD /initrd.img\n  APPEND {words}\n"
    return f"DEFAULT board\nPROMPT 0\nTIMEOUT 1\n{label}"


def copy_to(source: Path, target: Path) -> None:
    """Copy a file to a place whose folders may not be there yet."""
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source, target)


def root_size(image: Path, ids: Ids) -> int:
    """Return the bytes from the root partition's start to the end of what is usable."""
    left = image.stat().st_size - ROOT_START
    return left if ids.table is Table.MBR else left - MIB  # the second copy of the GPT


def write_table(image: Path, ids: Ids) -> None:
    """Write the partition table."""
    gpt = ids.table is Table.GPT
    boot = f"start={FAT_START // SECTOR}, size={FAT_SIZE // SECTOR}"
    root = f"start={ROOT_START // SECTOR}, size={root_size(image, ids) // SECTOR}"
    if gpt:
        head = f"label: gpt\nlabel-id: {ids.guid(0)}\n"
        boot += f", type={ESP}, uuid={ids.guid(1)}, name=boot"
        root += f", type={LINUX_ROOT}, uuid={ids.guid(2)}, name=root"
    else:
        head = f"label: dos\nlabel-id: 0x{ids.disk}\n"
        boot, root = f"{boot}, type=c, bootable", f"{root}, type=83"
    script = f"{head}unit: sectors\n{boot}\n{root}\n"
    programs.run("sfdisk", "--quiet", image, stdin=script.encode())


def write_fat(image: Path, boot: Path, ids: Ids) -> None:
    """Make the boot partition in its place in the image."""
    start = str(FAT_START // SECTOR)
    where = ("-h", start, "--offset", start, image, str(FAT_SIZE // 1024))
    # Given an offset, mkfs.vfat picks the cluster size by the whole image: too few for FAT32.
    names = ("-s", "4", "-n", "BOOTFS", "-i", ids.fat)
    programs.run("mkfs.vfat", "-F", "32", *names, *where)
    inside = f"{image}@@{FAT_START}"
    programs.run("mcopy", "-s", "-m", "-Q", "-i", inside, "--", *sorted(boot.iterdir()), "::/")


def write_boot_code(image: Path) -> None:
    """Write what an old PC boots by: into the FAT's first sectors, and before the MBR's table."""
    programs.run("syslinux", "--install", "--offset", str(FAT_START), image)
    with image.open("r+b") as file:
        file.write(MASTER_BOOT_CODE.read_bytes()[:440])


def write_root(image: Path, root: Path, ids: Ids) -> None:
    """Make the root file system in its place, up to the end of the image."""
    kibibytes = f"{root_size(image, ids) // 1024}k"
    offset = f"offset={ROOT_START},root_owner=0:0"
    names = ("-L", "rootfs", "-U", ids.root, "-d", root)
    programs.run("mke2fs", "-q", "-F", "-t", "ext4", "-E", offset, *names, image, kibibytes)
