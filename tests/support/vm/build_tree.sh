#!/bin/bash
# Build the root tree of an emulated board (Debian bookworm) with mmdebstrap; run as root.
#
#   build_tree.sh ARCHITECTURE OUT SOURCES WHEELS PUBLIC_KEY PACKAGE...
#
# ARCHITECTURE  amd64, arm64 or armhf (this kernel must be able to run programs of it)
# OUT         directory to make; must not exist
# SOURCES     the host's apt sources, in either of apt's two formats
# WHEELS      directory of unpacked Python packages that the agent needs
# PUBLIC_KEY  what may log in as root
# PACKAGE     packages beyond the ones every board has
set -euo pipefail
architecture=$1 out=$2 sources=$3 wheels=$4 public_key=$5
shift 5

kernel=$architecture
[[ $architecture != armhf ]] || kernel=armmp
packages=(systemd-sysv udev dbus openssh-server python3 rsync sqlite3 "linux-image-$kernel"
  initramfs-tools kmod e2fsprogs dosfstools fdisk iproute2 procps attr acl libcap2-bin "$@")

# A board carries the drivers and tables it has use for; with the rest the tree, and so every
# capture of it, would take twice as long. dpkg reads the list in order: the last match decides.
exclude=('/usr/share/doc/*' '/usr/share/man/*' '/usr/share/locale/*' '/usr/share/info/*'
  '/usr/share/i18n/*' '/usr/share/lintian/*' '/usr/share/bug/*' '/usr/share/bash-completion/*'
  '/usr/share/zoneinfo/*' '/usr/lib/*-linux-gnu/gconv/*'
  '/usr/lib/*-linux-gnu/libLLVM*' '/lib/udev/hwdb.d/*' '/usr/lib/udev/hwdb.d/*'
  '/lib/modules/*/kernel/*' '/usr/lib/modules/*/kernel/*' '/usr/lib/linux-image-*/*')
# The tools around PostgreSQL are written in Perl; nothing else here needs more than perl-base.
[[ " $* " == *" postgresql "* ]] ||
  exclude+=('/usr/share/perl/*' '/usr/lib/*-linux-gnu/perl/5*')
include=(arch/x86/crypto crypto lib/crc lib/libcrc lib/crypto fs/ext4 fs/jbd2 fs/fat fs/nls
  fs/fuse fs/autofs fs/configfs fs/pstore fs/efivarfs fs/binfmt_misc 'fs/mbcache'
  drivers/virtio drivers/mmc drivers/net/virtio_net drivers/net/net_failover drivers/net/dummy
  drivers/block/virtio drivers/block/loop drivers/char/hw_random drivers/char/virtio
  drivers/firmware net/core net/packet net/unix drivers/dax drivers/md/dm-mod drivers/rtc)
# What a Pi-type board needs beside that; on the other architecture there is no such thing.
include+=(arch/arm/crypto arch/arm64/crypto drivers/clk drivers/dma drivers/gpio drivers/mailbox drivers/mfd
  drivers/pinctrl drivers/regulator drivers/soc drivers/thermal drivers/tty drivers/usb/dwc2)
cards=()
if [[ " $* " == *" btrfs-progs "* ]]; then
  include+=(fs/btrfs fs/squashfs fs/overlayfs lib/raid6 lib/zstd lib/zlib lib/lz lib/xz lib/xx)
  cards+=(btrfs squashfs overlay)
fi
if [[ " $* " == *" lvm2 "* ]]; then
  include+=(drivers/md/ fs/xfs fs/quota lib/raid6)
  cards+=(dm_mod dm_crypt)
fi
dpkg_options=()
for path in "${exclude[@]}"; do dpkg_options+=(--dpkgopt="path-exclude=$path"); done
for part in "${include[@]}"; do
  for root in /lib /usr/lib; do
    dpkg_options+=(--dpkgopt="path-include=$root/modules/*/kernel/$part*")
  done
done

dpkg_options+=(--dpkgopt='path-include=/usr/lib/linux-image-*/broadcom/*')

cards+=(ext4 virtio_pci virtio_blk mmc_block mmc_core sdhci sdhci_pci)
[[ $architecture != armhf ]] || cards+=(virtio_mmio)
[[ $architecture != arm64 ]] || cards+=(virtio_mmio sdhci_iproc bcm2835 fixed gpio_regulator)

configure_initramfs() {
  # The list names what a card can hang on: the SD host controller or virtio.
  printf '%s\n' 'mkdir -p "$1/etc/initramfs-tools/conf.d"' \
    'printf "MODULES=list\nCOMPRESS=lz4\nBUSYBOX=n\n" >"$1/etc/initramfs-tools/conf.d/board.conf"' \
    "printf '%s\n' ${cards[*]} >\"\$1/etc/initramfs-tools/modules\""
}

without_usrmerge() {
  # It is the only thing that needs all of Perl; the tree is made merged from the start instead.
  printf '%s\n' 'mkdir -p "$1/etc/apt/preferences.d"' \
    'printf "Package: usrmerge\nPin: release *\nPin-Priority: -1\n" >"$1/etc/apt/preferences.d/usrmerge"'
}

mmdebstrap --mode=root --variant=minbase --architectures="$architecture" "${dpkg_options[@]}" \
  --aptopt='APT::Install-Recommends "false"' --aptopt='Acquire::Languages "none"' \
  --hook-directory=/usr/share/mmdebstrap/hooks/merged-usr --setup-hook="$(without_usrmerge)" \
  --include="$(IFS=,; echo "${packages[*]}")" \
  --essential-hook="$(configure_initramfs)" \
  bookworm "$out" "$sources"

mkdir -p "$out/boot/firmware" "$out/etc/systemd/network" "$out/root/.ssh"
cat >"$out/etc/systemd/network/10-wired.network" <<'NETWORK'
[Match]
Name=en* eth*
[Network]
Address=10.0.2.15/24
Gateway=10.0.2.2
LinkLocalAddressing=no
IPv6AcceptRA=no
NETWORK
chroot "$out" systemctl --quiet enable systemd-networkd ssh
# Nothing that wakes up by itself: a test measures its own load only.
chroot "$out" systemctl --quiet mask systemd-networkd-wait-online apt-daily.timer \
  apt-daily-upgrade.timer e2scrub_reap.service e2scrub_all.timer dpkg-db-backup.timer fstrim.timer

install -m 600 "$public_key" "$out/root/.ssh/authorized_keys"
chmod 700 "$out/root/.ssh"
printf 'UseDNS no\nGSSAPIAuthentication no\nMaxSessions 50\n' >"$out/etc/ssh/sshd_config.d/board.conf"
chroot "$out" passwd --quiet --delete root
: >"$out/etc/machine-id"
: >"$out/etc/resolv.conf"

if [[ " $* " == *" lvm2 "* ]]; then
  # What unlocks a root is in the initramfs although nothing here has one yet: cards differ.
  printf 'CRYPTSETUP=y\n' >>"$out/etc/cryptsetup-initramfs/conf-hook"
  chroot "$out" update-initramfs -u
fi

# The agent lives in an environment of its own, as its installation guide says.
chroot "$out" python3 -m venv --without-pip /opt/holdstill
cp -r "$wheels"/. "$out/opt/holdstill/lib/python3.11/site-packages/"
# Emulated, compiling a module costs more than running it: leave the compiled form behind.
chroot "$out" /opt/holdstill/bin/python3 -m compileall -q /opt/holdstill/lib/python3.11/site-packages
rm -rf "$out"/var/cache/apt/* "$out"/var/lib/apt/lists/* "$out"/usr/share/doc
