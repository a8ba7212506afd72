#!/usr/bin/env bash
# Looks into the image of a card and starts it on an emulated Pi 3: the page has to ask
# for the code, take it, and list what sensors it finds.
#
#   deploy/boot/card.sh FOLDER      FOLDER holds what card.sh has made
#
# It needs the packages qemu-system-arm, mtools, dosfstools, e2fsprogs, fdisk and curl.
# The board's firmware is not emulated: kernel, start disk, device tree and command line
# are taken from the first partition here, as it would. The image stays as it is.
set -euo pipefail

folder=$(cd "${1:?which folder holds the image}" && pwd)
image="$folder/tidemark-card-arm64.img"
log="$folder/boot-card.log"
port=18081 # of the machine's page, here
page=http://127.0.0.1:$port
work=$(mktemp -d -p "${TMPDIR:-/var/tmp}")
trap '[ -z "${pid:-}" ] || kill "$pid" 2>/dev/null || true; rm -rf "$work"' EXIT

sfdisk --verify "$image"
dd if="$image" of="$work/first" bs=1M skip=4 count=256 conv=sparse status=none
fsck.vfat -n "$work/first"
e2fsck -fn "$image?offset=$((260 * 1024 * 1024))"
mdir -b -i "$work/first" ::
mcopy -i "$work/first" '::vmlinuz-*' '::initrd.img-*' ::bcm2837-rpi-3-b.dtb ::cmdline.txt ::config.txt "$work/"
cat "$work/config.txt" "$work/cmdline.txt"

: >"$log"
began=$SECONDS
# What a slow machine without radio needs beside the card's own words.
slow="console=ttyS1,115200 maxcpus=1 systemd.default_timeout_start_sec=1200 systemd.mask=wpa_supplicant@wlan0.service systemd.mask=serial-getty@ttyS1.service"
nice -n "${BOOT_NICE:-10}" timeout "${BOOT_LIMIT:-3600}" qemu-system-aarch64 -M raspi3b -m 1G -display none -monitor none \
	-kernel "$work"/vmlinuz-* -initrd "$work"/initrd.img-* -dtb "$work/bcm2837-rpi-3-b.dtb" -append "$(cat "$work/cmdline.txt") $slow" \
	-drive "file=$image,format=raw,if=sd,snapshot=on" -serial null -serial "file:$log" \
	-netdev "user,id=lan,hostfwd=tcp:127.0.0.1:$port-:8080" -device usb-net,netdev=lan </dev/null &
pid=$!
answers() { curl -fsS --max-time 120 "$@"; }
until code=$(grep -ao 'type the code [A-Z0-9-]*' "$log" | tail -n 1 | cut -d ' ' -f 4) && [ -n "$code" ] && answers "$page/setup" 2>/dev/null | grep -q name=.code; do
	kill -0 "$pid"
	sleep 2
done
echo "the page asks for the code: $((SECONDS - began)) s after the start of the Pi"
answers -o /dev/null -c "$work/cookies" -H "Origin: $page" -d "code=$code&passphrase=flour+water+salt&again=flour+water+salt" "$page/setup"
answers -b "$work/cookies" "$page/settings" | sed -n '/id="sensors"/,/<h2 id="vessels"/p' | sed 's/<[^>]*>/ /g' | grep -v '^ *$'
echo "it took the code and lists the sensors: $((SECONDS - began)) s"
