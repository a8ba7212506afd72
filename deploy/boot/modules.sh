#!/usr/bin/env bash
# Compiles the kernel's own simulators, i2c-stub and gpio-sim, for a Debian
# kernel that leaves them out: from Debian's source of the same kernel.
#
#   deploy/boot/modules.sh FOLDER ARCH PACKAGES
#
# PACKAGES is a folder with the .deb files linux-source, linux-headers (of the
# machine, and common) and linux-kbuild (of this machine). It needs a cross
# compiler (gcc-12-aarch64-linux-gnu for arm64), make and bc. The .ko files go to
# FOLDER.
set -euo pipefail

out=$(cd "${1:?where the modules go}" && pwd)
arch=${2:?amd64 or arm64}
packages=$(cd "${3:?which folder holds the packages}" && pwd)
work=$(mktemp -d -p "${TMPDIR:-/var/tmp}")
trap 'rm -rf "$work"' EXIT

for deb in "$packages"/linux-{headers,kbuild,source}*.deb; do dpkg-deb -x "$deb" "$work"; done
tar -xf "$work"/usr/src/linux-source-*.tar.xz -C "$work" --strip-components=1 \
	--wildcards '*/drivers/i2c/i2c-stub.c' '*/drivers/gpio/gpio-sim.c' '*/drivers/gpio/gpiolib.h' \
	'*/drivers/gpio/dev-sync-probe.[ch]' '*/kernel/irq/irq_sim.c' 2>"$work/missing" || grep -q dev-sync-probe "$work/missing"
mkdir "$work/m"
find "$work/drivers" "$work/kernel" -type f -exec mv {} "$work/m/" \;
cd "$work/m"
# gpio-sim leans on irq_sim, which is no module of its own: both become one. The
# one function that modules may not call has a public twin.
mv gpio-sim.c gpio_sim_main.c
sed -i 's/handle_simple_irq(irq_to_desc(\(.*\)));/generic_handle_irq(\1);/' irq_sim.c
extra=()
if [ -e dev-sync-probe.c ]; then extra=(dev-sync-probe.o); fi
printf 'obj-m := i2c-stub.o gpio-sim.o\ngpio-sim-y := gpio_sim_main.o irq_sim.o %s\n' "${extra[*]}" >Makefile
headers=$(echo "$work"/usr/src/linux-headers-*-"$arch")
# The headers name each other by their place after an installation.
sed -i "s|/usr/src/|$work/usr/src/|" "$headers/Makefile"
case "$arch" in
arm64) cross=aarch64-linux-gnu- karch=arm64 ;;
*) cross='' karch=x86 ;;
esac
make -s -C "$headers" "M=$work/m" "ARCH=$karch" "CROSS_COMPILE=$cross" modules >&2
cp ./*.ko "$out/"
