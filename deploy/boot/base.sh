#!/usr/bin/env bash
# Makes what run.sh starts: a Debian on a disk image, its kernel, and a start
# disk in memory that mounts the image. All of it from Debian's own packages.
#
#   deploy/boot/base.sh FOLDER ARCH SUITE     ARCH: amd64 or arm64; SUITE: bookworm or trixie
#
# It needs root, and no other privilege than to make a user namespace: this
# machine's mounts, package lists and formats of programs stay as they are.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
mkdir -p "${1:?where to put it}"
folder=$(cd "$1" && pwd)
arch=${2:?amd64 or arm64}
suite=${3:?bookworm or trixie}

work=$(mktemp -d -p "${TMPDIR:-/var/tmp}")
trap 'rm -rf "$work"' EXIT
root="$work/root"
packages=systemd-sysv,udev,kmod,dbus,init-system-helpers,procps,iproute2,curl,i2c-tools,ca-certificates,tzdata
mirror=$(apt-get indextargets --format '$(SITE)' 'Created-By: Packages' 'Origin: Debian' 'Component: main' | head -n 1)

say() { echo "base.sh: $*, $SECONDS s"; }

# foreign runs apt with lists of its own, for the packages of another machine:
# this machine's lists and architectures stay as they are.
foreign() {
	local of=$1 state="$work/apt-$1"
	shift
	if [ ! -d "$state" ]; then
		mkdir -p "$state/lists/partial" "$state/cache/archives/partial"
		echo "deb [signed-by=/usr/share/keyrings/debian-archive-keyring.gpg] $mirror $suite main" >"$state/sources.list"
		: >"$state/status"
		foreign "$of" apt-get update -qq
	fi
	"$@" -o "Dir::State=$state" -o "Dir::State::status=$state/status" -o "Dir::Cache=$state/cache" \
		-o "Dir::Etc::sourcelist=$state/sources.list" -o Dir::Etc::sourceparts=/dev/null \
		-o "APT::Architecture=$of" -o "APT::Architectures=$of" -o APT::Sandbox::User=root
}

# needs ARCH PACKAGE WORD prints the package that PACKAGE depends on and that has
# WORD in its name.
needs() { foreign "$1" apt-cache depends "$2" | sed -n 's/^ *Depends: //p' | grep -m 1 -- "$3"; }

# kernel puts Debian's kernel and its modules in place.
kernel() {
	local image
	image=$(needs "$arch" "linux-image-$arch" linux-image)
	version=${image#linux-image-}
	mkdir -p "$work/debs" "$work/kernel" "$work/busybox" "$root/usr/lib/modules"
	(cd "$work/debs" && foreign "$arch" apt-get download -qq "$image" busybox-static)
	dpkg-deb -x "$work"/debs/linux-image-*.deb "$work/kernel"
	dpkg-deb -x "$work"/debs/busybox-static_*.deb "$work/busybox"
	cp -a "$(find "$work/kernel" -path "*lib/modules/$version")" "$root/usr/lib/modules/"
	cp "$work/kernel/boot/vmlinuz-$version" "$folder/vmlinuz"
	if ! find "$root/usr/lib/modules" -name 'gpio-sim.ko*' | grep -q .; then simulators; fi
	depmod -b "$root" "$version"
}

# simulators compiles what Debian's kernel leaves out.
simulators() {
	local headers common kbuild to="$root/usr/lib/modules/$version/extra"
	headers=linux-headers-$version
	common=$(needs "$arch" "$headers" -common)
	kbuild=$(needs "$arch" "$headers" linux-kbuild)
	mkdir -p "$to"
	(
		cd "$work/debs"
		foreign "$arch" apt-get download -qq "$headers" "$common" "linux-source-$(echo "$version" | cut -d. -f1,2)"
		foreign "$(dpkg --print-architecture)" apt-get download -qq "$kbuild"
	)
	"$here/modules.sh" "$to" "$arch" "$work/debs"
}

# start_disk packs the first program, busybox and the modules that reach a disk.
start_disk() {
	local disk="$work/start" path
	mkdir -p "$disk"/{bin,proc,dev,root}
	cp "$work/busybox/bin/busybox" "$disk/bin/" || cp "$work/busybox/usr/bin/busybox" "$disk/bin/"
	install -m 0755 "$here/start.sh" "$disk/init"
	for module in virtio_pci virtio_blk crc32c_generic ext4; do
		modprobe -d "$root" -S "$version" --show-depends "$module" || true
	done | sed -n 's/^insmod \(\S*\).*/\1/p' | awk '!seen[$0]++' >"$work/list"
	while read -r path; do
		case "$path" in
		*.xz) xz -dc "$path" >"$disk/$(basename "$path" .xz)" ;;
		*) cp "$path" "$disk/" ;;
		esac
		basename "$path" .xz | sed 's|^|/|' >>"$disk/modules"
	done <"$work/list"
	(cd "$disk" && find . | LC_ALL=C sort | cpio --quiet -o -H newc | gzip -9n) >"$folder/initrd"
}

debootstrap --foreign --variant=minbase "--arch=$arch" "--include=$packages" "$suite" "$root" "$mirror" >"$folder/debootstrap.log"
# In a container debootstrap links /proc to the one of this machine.
if [ -L "$root/proc" ]; then rm "$root/proc" && mkdir "$root/proc"; fi
say "packages of $suite for $arch are unpacked"
"$here/second-stage.sh" "$root" "$arch" >"$folder/second-stage.log" 2>&1 || {
	tail -n 20 "$folder/second-stage.log" "$root/debootstrap/debootstrap.log" >&2
	exit 1
}
rm -f "$root"/var/cache/apt/archives/*.deb
say "packages are set up"
kernel
say "kernel $version is in place"
start_disk
echo '/dev/vda / ext4 defaults 0 0' >"$root/etc/fstab"
echo tidemark-boot >"$root/etc/hostname"
rm -f "$folder/disk.img"
truncate -s 2G "$folder/disk.img"
mke2fs -q -t ext4 -d "$root" "$folder/disk.img"
say "the image is written"
