# Make boards of this one, those that are named, and a store of /dev/vdd. lvm: /dev/vdb with its root
# on logical volumes, of a group that is on two partitions, mounted at /a. luks: /dev/vdc with its
# root in an encrypted container, and data in another that a key file opens, mounted at /c.
# mirrors: /dev/vdb with its root on a mirror (md) that lacks its second member, and /srv on one of
# two partitions, whose superblocks are at the end; mounted at /a.
#
#   layers.sh PASSPHRASE BOARD... < MARKER_UNIT
set -euo pipefail
passphrase=$1
shift
unit=$(cat)
systemctl stop tide-gauge

card() { # DISK, ID, LINE...: the usual boot partition, and others
  local disk=$1 id=$2
  shift 2
  { printf 'label: dos\nlabel-id: %s\nstart=8192, size=524288, type=c, bootable\n' "$id"
    printf '%s\n' "$@"; } | sfdisk --quiet "/dev/$disk"
  udevadm settle
  dd if=/dev/vda1 of="/dev/${disk}1" bs=4M status=none
}
system() { # FOLDER: a copy of this system, whose gauge has not run yet
  mkdir -p "$1/home" "$1/mnt" "$1/boot/firmware" "$1"/{dev,proc,sys,run,tmp}
  rsync -aHAXx --exclude={/a,/c,/f,/mnt,/tmp} --exclude='/var/lib/tide-gauge/*' \
    --exclude='/var/log/tide-gauge/*' --exclude='/srv/tide-gauge/*' \
    --exclude=/etc/tide-gauge/calibration.json / "$1/"
  printf '%s\n' "$unit" >"$1/etc/systemd/system/marker.service"
  ln -sf /etc/systemd/system/marker.service "$1/etc/systemd/system/multi-user.target.wants/"
}
# initramfs FOLDER: make that of the copy. What is mounted for it is seen by nobody else: in the mount
# namespaces of other services some of it would stay, and keep the whole board mounted there.
initramfs() {
  unshare --mount --propagation private bash -ec '
    for name in dev proc sys; do mount --rbind "/$name" "$1/$name"; done
    chroot "$1" update-initramfs -u >/dev/null' - "$1"
}
loader() { # DISK, ROOT: what the loader tells the kernel
  mount "/dev/${1}1" /f
  sed -i "s#root=[^ ]*#root=$2#; s# rootfstype=ext4##; s# quiet##" /f/loader/entries/*.conf
  rm -f /f/syslinux.cfg /f/cmdline.txt /f/ldlinux.*
}
lvm() {
  card vdb 0x11110001 start=532480,size=2457600,type=8e start=2990080,type=8e
  pvcreate -qq -y /dev/vdb2 /dev/vdb3
  vgcreate -qq board-vg /dev/vdb2 /dev/vdb3
  lvcreate -qq -y -n root -L 1000M board-vg /dev/vdb2
  lvcreate -qq -y -n swap -L 64M board-vg /dev/vdb2
  lvcreate -qq -y -n srv -L 120M board-vg /dev/vdb3
  lvextend -qq -L +100M board-vg/root /dev/vdb2 # so it is in two pieces
  mkfs.ext4 -q -L lvmroot /dev/board-vg/root
  mkfs.ext4 -q -L lvmsrv /dev/board-vg/srv
  mkswap -q /dev/board-vg/swap
  mount /dev/board-vg/root /a
  mkdir /a/srv
  mount /dev/board-vg/srv /a/srv
  system /a
  printf '%s\n' '/dev/board-vg/root / ext4 noatime 0 1' '/dev/mapper/board--vg-srv /srv ext4 defaults 0 2' \
    '/dev/board-vg/swap none swap sw 0 0' 'PARTUUID=11110001-01 /boot/firmware vfat defaults 0 2' \
    >/a/etc/fstab
  loader vdb /dev/mapper/board--vg-root
  umount /f
}
luks() {
  card vdc 0x22220002 start=532480,size=204800,type=83 start=737280,type=83
  printf %s "$passphrase" | cryptsetup luksFormat -q --type luks2 --label vault --pbkdf argon2id \
    --pbkdf-memory 65536 --pbkdf-force-iterations 4 /dev/vdc3 -
  printf %s "$passphrase" | cryptsetup open /dev/vdc3 cryptroot -d -
  mkfs.ext4 -q -L luksroot /dev/mapper/cryptroot
  mount /dev/mapper/cryptroot /c
  system /c
  mkdir -p /c/data /c/etc/keys
  (umask 077 && dd if=/dev/urandom of=/c/etc/keys/data.key bs=512 count=1 status=none)
  cryptsetup luksFormat -q --type luks2 --pbkdf pbkdf2 --pbkdf-force-iterations 1000 /dev/vdc2 \
    /c/etc/keys/data.key
  cryptsetup open /dev/vdc2 data -d /c/etc/keys/data.key
  mkfs.ext4 -q -L cryptdata /dev/mapper/data
  mount /dev/mapper/data /c/data
  echo 'of a year of tides' >/c/data/readings
  printf '%s\n' '/dev/mapper/cryptroot / ext4 noatime 0 1' \
    '/dev/mapper/data /data ext4 defaults 0 2' 'PARTUUID=22220002-01 /boot/firmware vfat defaults 0 2' \
    >/c/etc/fstab
  printf '%s\n' "cryptroot UUID=$(cryptsetup luksUUID /dev/vdc3) none luks" \
    "data UUID=$(cryptsetup luksUUID /dev/vdc2) /etc/keys/data.key luks" >/c/etc/crypttab
  initramfs /c
  loader vdc /dev/mapper/cryptroot
  cp /c/boot/initrd.img-* /f/initrd.img
  umount /f
}

mirrors() {
  card vdb 0x33330003 start=532480,size=245760,type=fd start=778240,size=245760,type=fd \
    start=1024000,type=fd
  mdadm --quiet --create /dev/md1 --run --level=1 --raid-devices=2 --metadata=1.0 --name=srv \
    /dev/vdb2 /dev/vdb3
  mdadm --quiet --create /dev/md0 --run --level=1 --raid-devices=2 --metadata=1.2 --name=root \
    /dev/vdb4 missing
  mkfs.ext4 -q -L mirrorroot /dev/md0
  mkfs.ext4 -q -L mirrorsrv /dev/md1
  mount /dev/md0 /a
  mkdir /a/srv
  mount /dev/md1 /a/srv
  system /a
  printf '%s\n' '/dev/md0 / ext4 noatime 0 1' 'LABEL=mirrorsrv /srv ext4 defaults 0 2' \
    'PARTUUID=33330003-01 /boot/firmware vfat defaults 0 2' >/a/etc/fstab
  mdadm --detail --scan >>/a/etc/mdadm/mdadm.conf
  initramfs /a
  loader vdb /dev/md0
  cp /a/boot/initrd.img-* /f/initrd.img
  umount /f
}

mkdir -p /a /c /f
for board; do "$board"; done
mkfs.ext4 -q -L store /dev/vdd
mkdir -p /mnt/store
mount /dev/vdd /mnt/store
sync
