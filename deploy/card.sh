#!/usr/bin/env bash
# Makes the image of a card for a Pi with a 64-bit core (3, 4, Zero 2), from Debian's
# own packages and tidemark's: write it to a card, start the Pi, open the page.
#
#   deploy/card.sh FOLDER      FOLDER is made by build.sh; writes FOLDER/tidemark-card-arm64.img
#
# It needs root and the packages debootstrap, qemu-user-static, dosfstools, mtools,
# fdisk and e2fsprogs. Nothing of this machine is mounted or registered
# (boot/second-stage.sh). boot/card.sh starts the image.
set -euo pipefail

deploy=$(cd "$(dirname "$0")" && pwd)
folder=$(cd "${1:?which folder holds the packages}" && pwd)
suite=bookworm
image="$folder/tidemark-card-arm64.img"
mirror=http://deb.debian.org/debian
packages=systemd-sysv,systemd-resolved,systemd-timesyncd,udev,kmod,dbus,init-system-helpers,procps,iproute2,ca-certificates,tzdata
packages=$packages,linux-image-arm64,initramfs-tools,raspi-firmware,device-tree-compiler,e2fsprogs,avahi-daemon,libnss-mdns
packages=$packages,openssh-server,wpasupplicant,wireless-regdb,firmware-brcm80211

work=$(mktemp -d -p "${TMPDIR:-/var/tmp}")
trap 'rm -rf "$work"' EXIT
root="$work/root"
say() { echo "card.sh: $*, $SECONDS s"; }
in_root() { "$deploy/boot/second-stage.sh" "$root" arm64 "$@" >"$work/log" 2>&1 || { tail -n 30 "$work/log" >&2 && return 1; }; }

# before says what Debian's scripts have to know when they write the first partition.
before() {
	mkdir -p "$root"/etc/{default,initramfs-tools/conf.d,initramfs/post-update.d,kernel/postinst.d,dpkg/dpkg.cfg.d}
	echo force-unsafe-io >"$root/etc/dpkg/dpkg.cfg.d/card" # a power cut here costs nothing
	# No memory set apart, which a Pi 4 would not start with, and no serial console: a
	# sensor's head may use that line.
	printf 'ROOTPART=LABEL=tidemark\nCMA=0\nCONSOLES=tty0\n' >"$root/etc/default/raspi-firmware"
	# What reaches the card on these boards and is no part of the kernel. The usual
	# choice, most modules there are, takes most of an hour under emulation.
	echo MODULES=list >"$root/etc/initramfs-tools/conf.d/card"
	printf '%s\n' bcm2835 sdhci-iproc fixed gpio-regulator reset-raspberrypi ext4 >"$root/etc/initramfs-tools/modules"
	# I2C is on in Debian's device trees. 1-wire, on GPIO 4, is not, and its firmware has
	# no overlays: after each new kernel this writes the bus into the trees themselves.
	cat >"$root/etc/kernel/postinst.d/zz-one-wire" <<-'SH'
		#!/bin/sh
		set -e
		for tree in /boot/firmware/bcm*.dtb; do
			gpio=$(fdtget -t x "$tree" /soc/gpio@7e200000 phandle)
			fdtput -p -t s "$tree" /onewire compatible w1-gpio
			fdtput -t x "$tree" /onewire gpios "$gpio" 4 6 # high, and pulled down only
		done
	SH
	chmod 0755 "$root/etc/kernel/postinst.d/zz-one-wire"
	ln -s /etc/kernel/postinst.d/zz-one-wire "$root/etc/initramfs/post-update.d/"
}

# settings makes a plain Debian one for this card. It has no password: who wants a
# terminal puts a public key on the first partition.
settings() {
	mkdir -p "$root"/etc/systemd/system/{ssh,tidemark}.service.d
	printf '[Unit]\nAfter=boot-firmware.mount\n' >"$root/etc/systemd/system/tidemark.service.d/card.conf" # for the note with the code
	echo tidemark >"$root/etc/hostname"
	printf '127.0.0.1 localhost\n127.0.1.1 tidemark\n' >"$root/etc/hosts"
	printf 'LABEL=tidemark / ext4 defaults,noatime 0 1\nLABEL=FIRMWARE /boot/firmware vfat defaults,umask=022,nofail,x-systemd.device-timeout=5min 0 2\n' >"$root/etc/fstab"
	printf 'deb %s main non-free-firmware\n' "$mirror $suite" "$mirror $suite-updates" "$mirror-security $suite-security" >"$root/etc/apt/sources.list"
	printf '[Match]\nName=eth* usb* wlan*\n[Network]\nDHCP=yes\n' >"$root/etc/systemd/network/lan.network"
	printf 'AuthorizedKeysFile /boot/firmware/authorized_keys\nPasswordAuthentication no\n' >"$root/etc/ssh/sshd_config.d/card.conf"
	printf '[Service]\nExecStartPre=\nExecStartPre=/usr/bin/ssh-keygen -A\nExecStartPre=/usr/sbin/sshd -t\n' >"$root/etc/systemd/system/ssh.service.d/keys.conf"
	ln -sf /boot/firmware/wifi.conf "$root/etc/wpa_supplicant/wpa_supplicant-wlan0.conf"
	cat >"$root/boot/firmware/wifi.conf" <<-'CONF'
		# For a house without a cable: take the # away and write country, name and password.
		#country=DE
		#network={
		#  ssid="name of the network"
		#  psk="its password"
		#}
	CONF
}

# finish sets tidemark up, and takes away what has to differ from card to card.
finish() {
	cp "$(ls -t "$folder"/tidemark_*_arm64.deb | head -n 1)" "$root/tidemark.deb"
	in_root sh -ec 'dpkg -i /tidemark.deb; systemctl enable systemd-networkd wpa_supplicant@wlan0'
	rm -f "$root"/tidemark.deb "$root"/var/cache/apt/archives/*.deb "$root"/etc/ssh/ssh_host_* "$root"/var/lib/dbus/machine-id "$root"/etc/dpkg/dpkg.cfg.d/card
	rm -rf "$root/debootstrap" "$root"/var/log/*.log "$root"/var/lib/apt/lists/*
	: >"$root/etc/machine-id"
	ln -sf /run/systemd/resolve/stub-resolv.conf "$root/etc/resolv.conf"
	test ! -e "$root/var/lib/tidemark/setup-code" # each card makes its own
}

# write_image lays both partitions into one file: 256 MiB that the firmware reads, the
# system behind it.
write_image() {
	rm -f "$image"
	truncate -s 2G "$image"
	printf 'label: dos\nstart=4MiB, size=256MiB, type=c, bootable\nstart=260MiB, type=83\n' | sfdisk -q "$image"
	mkfs.vfat -F 32 -s 2 -n FIRMWARE --offset 8192 "$image" $((256 * 1024)) >/dev/null
	mcopy -s -i "$image@@4M" "$root"/boot/firmware/* ::
	rm -rf "$root"/boot/firmware/*
	mke2fs -q -t ext4 -L tidemark -d "$root" -E offset=$((260 * 1024 * 1024)) "$image" $(((2048 - 260) * 1024))k
}

debootstrap --foreign --variant=minbase --arch=arm64 --components=main,non-free-firmware "--include=$packages" "$suite" "$root" "$mirror" >"$work/log" || { tail "$work/log" >&2 && exit 1; }
if [ -L "$root/proc" ]; then rm "$root/proc" && mkdir "$root/proc"; fi
before
say "packages are unpacked"
in_root
say "packages are set up"
settings
finish
say "tidemark is set up"
write_image
say "$image is written: $(du -h "$image" | cut -f1)B of data"
