#!/usr/bin/env bash
# Starts a whole Debian with real systemd under emulation, installs the package
# in it and tries the service: start, watchdog, kill -9, upgrade, purge.
#
#   deploy/boot/run.sh FOLDER ARCH      FOLDER: made by build.sh, ARCH: amd64 or arm64
#
# It needs root and the Debian packages debootstrap, e2fsprogs and
# qemu-system-x86 or qemu-system-arm (for arm64 also qemu-user-static). The base
# system is kept in BOOT_CACHE, by default /var/tmp/tidemark-boot, so that a
# second run takes minutes, not tens of minutes. The log is FOLDER/boot-ARCH.log.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
folder=$(cd "${1:?which folder holds the packages}" && pwd)
arch=${2:-amd64}
cache=${BOOT_CACHE:-/var/tmp/tidemark-boot}
base="$cache/base-$arch"
limit=${BOOT_LIMIT:-1500} # seconds until the emulated machine is given up
log="$folder/boot-$arch.log"

packages=systemd-sysv,udev,kmod,dbus,init-system-helpers,initramfs-tools,procps,curl,ca-certificates,tzdata
mirror=$(apt-get indextargets --format '$(SITE)' 'Created-By: Packages' 'Codename: bookworm' | head -n 1)

# make_base bootstraps the system once. The other architecture's second stage
# runs its programs through user-mode emulation.
make_base() {
	[ -e "$base.done" ] && return
	rm -rf "$base"
	mkdir -p "$cache"
	local foreign=()
	if [ "$arch" != "$(dpkg --print-architecture)" ]; then foreign=(--foreign); fi
	debootstrap --variant=minbase --arch="$arch" --include="$packages,linux-image-$arch" "${foreign[@]}" bookworm "$base" "$mirror"
	if [ "${#foreign[@]}" -gt 0 ]; then
		echo "run.sh: the second stage of $arch runs inside the emulated machine" >&2
	fi
	touch "$base.done"
}

# lay_root copies the base and adds package, check and the unit that starts it.
lay_root() {
	cp -a "$base" "$root"
	cp "$folder"/tidemark_*_"$arch".deb "$root/root/"
	install -m 0755 "$here/check.sh" "$root/root/check.sh"
	cat >"$root/etc/systemd/system/boot-check.service" <<-'UNIT'
		[Unit]
		Description=tries the installed package and switches off
		After=multi-user.target
		[Service]
		Type=oneshot
		ExecStart=/root/check.sh
		ExecStopPost=/usr/bin/systemctl --no-block poweroff
		StandardOutput=tty
		StandardError=tty
		TTYPath=/dev/console
		TimeoutStartSec=infinity
		[Install]
		WantedBy=default.target
	UNIT
	ln -sf /etc/systemd/system/boot-check.service "$root/etc/systemd/system/multi-user.target.wants/boot-check.service"
	echo '/dev/vda / ext4 defaults 0 0' >"$root/etc/fstab"
	echo tidemark-boot >"$root/etc/hostname"
}

machine() {
	case "$arch" in
	amd64) echo "qemu-system-x86_64 -machine q35 -cpu max" ;;
	arm64) echo "qemu-system-aarch64 -machine virt -cpu cortex-a53" ;;
	*)
		echo "run.sh: $arch is not emulated here; choose amd64 or arm64" >&2
		return 1
		;;
	esac
}

console() { if [ "$arch" = arm64 ]; then echo ttyAMA0; else echo ttyS0; fi; }

work=$(mktemp -d -p "${TMPDIR:-/var/tmp}")
trap 'rm -rf "$work"' EXIT
root="$work/root"
make_base
lay_root
truncate -s 2G "$work/disk.img"
mke2fs -q -t ext4 -d "$root" "$work/disk.img"
kernel=$(echo "$root"/boot/vmlinuz-*)
initrd=$(echo "$root"/boot/initrd.img-*)
began=$SECONDS
# shellcheck disable=SC2046 # the machine is several words
timeout "$limit" $(machine) -accel "${BOOT_ACCEL:-tcg,thread=multi}" -smp 2 -m 768 -nographic -no-reboot -nic none \
	-kernel "$kernel" -initrd "$initrd" -append "root=/dev/vda rw console=$(console) panic=1" \
	-drive "file=$work/disk.img,format=raw,if=virtio,cache=unsafe" >"$log" 2>&1 </dev/null || true
echo "emulated machine ran for $((SECONDS - began)) s"
tr -d '\r' <"$log" | grep -a '^CHECK' || echo "run.sh: the machine never got as far as the checks, see $log" >&2
tr -d '\r' <"$log" | grep -aqx 'CHECK END: all fine'
