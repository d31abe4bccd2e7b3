#!/bin/bash
# Build the root tree of a machine on which somebody has just installed Debian; run as root.
#
#   build_fresh.sh RELEASE OUT SOURCES PUBLIC_KEY PACKAGE...
#
# RELEASE     bookworm or trixie
# OUT         directory to make; must not exist
# SOURCES     apt sources for that release
# PUBLIC_KEY  what may log in as root, for the tests
# PACKAGE     packages that are fetched and not installed, with what they recommend, as apt installs
#             them: the machine will reach no mirror
set -euo pipefail
release=$1 out=$2 sources=$3 public_key=$4
shift 4

# What a cloud image of Debian has, as far as it matters here; and apt's lists, as after an update.
packages=(systemd-sysv udev dbus openssh-server sudo python3 ca-certificates linux-image-cloud-amd64
  initramfs-tools kmod iproute2 procps login passwd)
configure_initramfs() {
  printf '%s\n' 'mkdir -p "$1/etc/initramfs-tools/conf.d"' \
    'printf "MODULES=list\nCOMPRESS=lz4\nBUSYBOX=n\n" >"$1/etc/initramfs-tools/conf.d/machine.conf"' \
    "printf '%s\n' ext4 virtio_pci virtio_blk >\"\$1/etc/initramfs-tools/modules\""
}
mmdebstrap --mode=root --variant=minbase --hook-directory=/usr/share/mmdebstrap/hooks/merged-usr \
  --skip=cleanup/apt/lists --skip=cleanup/apt/cache \
  --aptopt='Acquire::Languages "none"' --include="$(IFS=,; echo "${packages[*]}")" \
  --essential-hook="$(configure_initramfs)" \
  --customize-hook="APT_CONFIG=\$MMDEBSTRAP_APT_CONFIG apt-get install -qy --download-only --install-recommends $*" \
  "$release" "$out" "$sources"

mkdir -p "$out/boot/firmware" "$out/root/.ssh"
# Such a machine has one network card of its own, and one on the tests' wire to the other machine.
wired() {
  printf '[Match]\nMACAddress=%s\n[Network]\nAddress=%s\nLinkLocalAddressing=no\nIPv6AcceptRA=no\n' "$2" "$3" \
    >"$out/etc/systemd/network/$1.network"
}
wired own 52:54:00:12:34:56 10.0.2.15/24
wired pier-3 52:54:00:00:00:03 192.0.2.3/24
wired boathouse 52:54:00:00:00:07 192.0.2.7/24
chroot "$out" systemctl --quiet enable systemd-networkd ssh
chroot "$out" systemctl --quiet mask systemd-networkd-wait-online apt-daily.timer apt-daily-upgrade.timer
chroot "$out" useradd --create-home --shell /bin/bash harbour
echo 'harbour ALL=(ALL) NOPASSWD: ALL' >"$out/etc/sudoers.d/harbour"
install -m 600 "$public_key" "$out/root/.ssh/authorized_keys"
chmod 700 "$out/root/.ssh"
chroot "$out" passwd --quiet --delete root
: >"$out/etc/machine-id"
: >"$out/etc/resolv.conf"
