#!/usr/bin/env bash
# Starts a whole Debian with real systemd under emulation, installs the package
# in it and tries the service: chips, start, reload, kill -9, watchdog, upgrade,
# purge. What it tries is in check.sh.
#
#   deploy/boot/run.sh FOLDER [ARCH [SUITE [walk]]]
#
# With walk nothing is tried inside: a browser on this machine goes from the code of
# the fresh service to a message that arrives and is answered, and FOLDER/walk holds a
# picture of each screen. That needs Go and Chromium too.
#
# FOLDER is made by build.sh; ARCH is arm64 (default) or amd64; SUITE bookworm
# (default) or trixie. It needs root and the packages debootstrap, e2fsprogs, kmod,
# cpio, xz-utils, make, bc and, for arm64, qemu-system-arm and
# gcc-12-aarch64-linux-gnu, for amd64 qemu-system-x86 and gcc-12. The base system
# is kept in BOOT_CACHE, by default /var/tmp/tidemark-boot. The log is
# FOLDER/boot-ARCH-SUITE.log.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
folder=$(cd "${1:?which folder holds the packages}" && pwd)
arch=${2:-arm64}
suite=${3:-bookworm}
base=${BOOT_CACHE:-/var/tmp/tidemark-boot}/$arch-$suite
walk=${4:-}
port=18080 # of the machine's page, here
log="$folder/boot-$arch-$suite${walk:+-walk}.log"

work=$(mktemp -d -p "${TMPDIR:-/var/tmp}")
trap 'rm -rf "$work"' EXIT

# machine prints the emulator with board and core: arm64 is a core as in a Pi 3.
# Nothing of this machine's processor is used, so it runs inside a container too.
machine() {
	case "$arch" in
	amd64) echo "qemu-system-x86_64 -machine q35 -cpu max" ;;
	arm64) echo "qemu-system-aarch64 -machine virt -cpu cortex-a53" ;;
	*)
		echo "run.sh: $arch is not emulated here; choose arm64 or amd64" >&2
		return 1
		;;
	esac
}

# lay_over makes the second disk: package, a newer one, the check and its unit. A
# tar as it is: the machine's first program unpacks it over the base system.
lay_over() {
	local over="$work/over"
	mkdir -p "$over/root" "$over/etc/systemd/system/multi-user.target.wants"
	cp "$(ls -t "$folder"/tidemark_*_"$arch".deb | head -n 1)" "$over/root/first.deb" # the last one built
	"$here/newer.sh" "$over/root/first.deb" "$over/root/newer.deb"
	install -m 0755 "$here/check.sh" "$over/root/check.sh"
	mkdir "$over/root/script"
	cp -r "$here/../install.sh" "$here/../package" "$here/../tidemark.yaml" "$over/root/script/"
	if [ -n "$walk" ]; then touch "$over/root/walk"; fi
	cp "$here/boot-check.service" "$over/etc/systemd/system/"
	ln -s /etc/systemd/system/boot-check.service "$over/etc/systemd/system/multi-user.target.wants/"
	ln -s /dev/null "$over/etc/systemd/system/serial-getty@.service" # the console is for the check
	tar -C "$over" --owner=0 --group=0 -cf "$work/over.tar" .
	truncate -s %1M "$work/over.tar" # a disk has whole sectors
}

if [ ! -e "$base/done" ]; then
	"$here/base.sh" "$base" "$arch" "$suite"
	touch "$base/done"
fi
lay_over
console=ttyS0
if [ "$arch" = arm64 ]; then console=ttyAMA0; fi
emulator=$(machine)
began=$SECONDS
network=none
if [ -n "$walk" ]; then network="user,model=virtio-net-pci,hostfwd=tcp:127.0.0.1:$port-:8080"; fi
# start becomes the machine.
start() {
	# shellcheck disable=SC2086 # the emulator is several words
	exec nice -n "${BOOT_NICE:-10}" timeout "${BOOT_LIMIT:-3600}" $emulator -accel tcg -smp "${BOOT_CPUS:-1}" -m 768 -nographic -nic "$network" \
		-kernel "$base/vmlinuz" -initrd "$base/initrd" -append "console=$console rw systemd.show_status=no quiet" \
		-drive "file=$base/disk.img,format=raw,if=virtio,cache=unsafe,snapshot=on" \
		-drive "file=$work/over.tar,format=raw,if=virtio,readonly=on" </dev/null >"$log" 2>&1
}
if [ -n "$walk" ]; then
	: >"$log"
	start &
	pid=$!
	trap 'kill "$pid" 2>/dev/null || true; rm -rf "$work"' EXIT
	until code=$(tr -d '\r' <"$log" | sed -n 's/.*CHECK code //p') && [ -n "$code" ]; do
		if ! kill -0 "$pid"; then echo "run.sh: the machine ended before it said its code, see $log" >&2 && exit 1; fi
		sleep 1
	done
	echo "the package is installed, the service waits with its code: $((SECONDS - began)) s after the start of the machine"
	began=$SECONDS
	mkdir -p "$folder/walk"
	(cd "$here/../.." && CI=true TIDEMARK_MACHINE=http://127.0.0.1:$port TIDEMARK_CODE=$code go test ./cmd/tidemark -count 1 -run TestSetUpOnAMachine -v -args -screens "$folder/walk")
	echo "from the code to the answered message: $((SECONDS - began)) s"
	exit 0
fi
# The check cuts the power once, so the machine may start again; what it wrote
# stays for that, and is forgotten at the end.
(start) || true
echo "the emulated machine ran for $((SECONDS - began)) s"
tr -d '\r' <"$log" | grep -a '^CHECK' || echo "run.sh: the machine never got as far as the checks, see $log" >&2
tr -d '\r' <"$log" | grep -aqx 'CHECK END: all fine'
