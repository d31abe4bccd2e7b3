# Make two boards of this one: /dev/vdb with its root on logical volumes, mounted at /a, and
# /dev/vdc with its root in an encrypted container, mounted at /c. /dev/vdd becomes a store.
#
#   layers.sh PASSPHRASE < MARKER_UNIT
set -euo pipefail
passphrase=$1
unit=$(cat)
systemctl stop tide-gauge

card() { # DISK, ID, TYPE: the usual boot partition, and the rest for one of TYPE
  printf 'label: dos\nlabel-id: %s\nstart=8192, size=524288, type=c, bootable\nstart=532480, type=%s\n' \
    "$2" "$3" | sfdisk --quiet "/dev/$1"
  udevadm settle
  dd if=/dev/vda1 of="/dev/${1}1" bs=4M status=none
}
system() { # FOLDER: a copy of this system, whose gauge has not run yet
  mkdir -p "$1/home" "$1/mnt" "$1/boot/firmware" "$1"/{dev,proc,sys,run,tmp}
  rsync -aHAXx --exclude={/a,/c,/f,/mnt,/tmp} --exclude='/var/lib/tide-gauge/*' \
    --exclude='/var/log/tide-gauge/*' --exclude='/srv/tide-gauge/*' \
    --exclude=/etc/tide-gauge/calibration.json / "$1/"
  printf '%s\n' "$unit" >"$1/etc/systemd/system/marker.service"
  ln -sf /etc/systemd/system/marker.service "$1/etc/systemd/system/multi-user.target.wants/"
}
loader() { # DISK, ROOT: what the loader tells the kernel
  mount "/dev/${1}1" /f
  sed -i "s#root=[^ ]*#root=$2#; s# rootfstype=ext4##; s# quiet##" /f/loader/entries/*.conf
  rm -f /f/syslinux.cfg /f/cmdline.txt /f/ldlinux.*
}

mkdir -p /a /c /f
card vdb 0x11110001 8e
pvcreate -qq -y /dev/vdb2
vgcreate -qq board-vg /dev/vdb2
lvcreate -qq -y -n root -L 1000M board-vg
lvcreate -qq -y -n srv -L 120M board-vg
lvcreate -qq -y -n swap -L 64M board-vg
lvextend -qq -L +100M board-vg/root # so it is in two pieces
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

card vdc 0x22220002 83
printf %s "$passphrase" | cryptsetup luksFormat -q --type luks2 --label vault --pbkdf argon2id \
  --pbkdf-memory 65536 --pbkdf-force-iterations 4 /dev/vdc2 -
printf %s "$passphrase" | cryptsetup open /dev/vdc2 cryptroot -d -
mkfs.ext4 -q -L luksroot /dev/mapper/cryptroot
mount /dev/mapper/cryptroot /c
system /c
printf '%s\n' '/dev/mapper/cryptroot / ext4 noatime 0 1' \
  'PARTUUID=22220002-01 /boot/firmware vfat defaults 0 2' >/c/etc/fstab
echo "cryptroot UUID=$(cryptsetup luksUUID /dev/vdc2) none luks" >/c/etc/crypttab
for name in dev proc sys; do mount --rbind --make-rslave "/$name" "/c/$name"; done
chroot /c update-initramfs -u >/dev/null
umount -R /c/dev /c/proc /c/sys
loader vdc /dev/mapper/cryptroot
cp /c/boot/initrd.img-* /f/initrd.img
umount /f

mkfs.ext4 -q -L store /dev/vdd
mkdir -p /mnt/store
mount /dev/vdd /mnt/store
sync
