#!/usr/bin/env bash
# Sets up the unpacked packages of a Debian for another processor, with
# user-mode emulation, or runs a COMMAND in it:
#
#   deploy/boot/second-stage.sh ROOT ARCH [COMMAND...]
#
# It works in a user namespace of its own, so that this machine neither learns to
# run foreign programs nor sees a mount. That needs Linux 6.7 or newer; on an
# older one the kernel has to know foreign programs already (Debian: the packages
# qemu-user-static and binfmt-support).
set -euo pipefail

root=$(cd "${1:?where the packages were unpacked}" && pwd)
arch=${2:?amd64 or arm64}
shift 2
if [ $# -eq 0 ]; then set -- /debootstrap/debootstrap --second-stage; fi

# inside runs in the namespace.
inside() {
	mount --make-rprivate /
	if [ "$arch" = arm64 ] && [ "$(dpkg --print-architecture)" != arm64 ]; then
		mount -t tmpfs none "$root/run"
		mkdir "$root/run/binfmt"
		# Magic and mask are those of an ELF file for this processor (machine
		# number 0xb7, source: ELF for the Arm 64-bit Architecture).
		mount -t binfmt_misc none "$root/run/binfmt" && printf '%s' ':tidemark-boot:M::\x7fELF\x02\x01\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x02\x00\xb7\x00:\xff\xff\xff\xff\xff\xff\xff\x00\xff\xff\xff\xff\xff\xff\xff\xff\xfe\xff\xff\xff:/usr/bin/qemu-aarch64-static:F' >"$root/run/binfmt/register"
	fi
	mount --rbind /dev "$root/dev"
	mount -t proc proc "$root/proc"
	# debootstrap mounts nothing more when it believes to be in a container.
	chroot "$root" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C HOME=/root \
		DEBIAN_FRONTEND=noninteractive container=lxc "$@"
}

if [ -n "${SECOND_STAGE_INSIDE:-}" ]; then
	read -r _ # until the numbers of users and groups are set
	inside "$@"
	exit
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkfifo "$work/go"
SECOND_STAGE_INSIDE=1 unshare --user --mount --pid --fork --kill-child "$0" "$root" "$arch" "$@" <"$work/go" &
pid=$!
exec 3>"$work/go" # waits until the other side has opened it
until [ "$(readlink "/proc/$pid/ns/user")" != "$(readlink /proc/self/ns/user)" ]; do sleep 0.1; done
echo '0 0 65536' >"/proc/$pid/gid_map"
echo '0 0 65536' >"/proc/$pid/uid_map"
echo go >&3
exec 3>&-
wait "$pid"
