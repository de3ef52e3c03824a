#!/bin/sh
# Run by mmdebstrap on the Debian tree $1, in the end. UNPACKED holds kernel and firmware packages, SITE the
# Python packages of the agent.
set -eu
root=$1

for deb in "$UNPACKED"/linux-image-*.deb "$UNPACKED"/firmware-*.deb; do
	dpkg-deb --fsys-tarfile "$deb" | tar -x -C "$root" --keep-directory-symlink --no-same-owner \
		--exclude=./boot --exclude='./usr/share/doc/*/changelog*' --exclude=./usr/share/bug
done
mkdir -p "$root/usr/local/lib/python3.11/dist-packages"
cp -r "$SITE/." "$root/usr/local/lib/python3.11/dist-packages/"

# What the kernel cannot mount, assemble or record into, nobody does by mistake: of file systems on disks only FAT
# and the image's own stay, and no driver for arrays, mapped volumes or crash records.
modules=$(echo "$root"/lib/modules/*)
(
	cd "$modules/kernel"
	rm -rf drivers/md drivers/mtd drivers/nvme/target drivers/target drivers/staging drivers/infiniband
	find . -name 'efi-pstore.ko*' -o -name 'erst-dbg.ko*' -o -name 'mtdoops.ko*' -o -name 'ramoops.ko*' | xargs -r rm
	for system in fs/*; do
		case $system in
		fs/fat | fs/nls | fs/squashfs | fs/overlayfs | fs/efivarfs | fs/autofs | fs/9p | fs/netfs) ;;
		*) rm -rf "$system" ;;
		esac
	done
)
# The squashfs compresses them as well, and the loader in this release only stumbles over compressed ones
find "$modules" -name '*.ko.xz' -exec unxz {} +
chroot "$root" depmod "${modules##*/}" # its own: the build machine may have none

# An empty file: "uninitialized" would make each boot a first boot, that switches units on again
: >"$root/etc/machine-id"
rm -f "$root/var/lib/dbus/machine-id" "$root/etc/nvme/hostid" "$root/etc/nvme/hostnqn"
echo benchproof >"$root/etc/hostname"
rm -rf "$root"/var/lib/apt/lists/* "$root"/var/cache/* "$root"/var/log/* "$root"/tmp/* "$root"/run/* \
	"$root"/etc/ssl/private "$root"/var/lib/systemd/random-seed
rm -f "$root/etc/apt/sources.list" # the place of the build
# caches of paths and times of the build
rm -f "$root/etc/ld.so.cache~" "$root/var/lib/systemd/catalog/database"
