#!/usr/bin/env bash
# Builds a container image, as an OCI archive, from a program made by build.sh.
#
#   deploy/image.sh FOLDER ARCH     ARCH: armhf, arm64 or amd64; FOLDER: dist
#
# It needs buildah, and the packages ca-certificates and tzdata of this machine:
# the image carries a copy, since it has no system of its own.
set -euo pipefail

deploy=$(cd "$(dirname "$0")" && pwd)
folder=$(cd "${1:?which folder holds the programs}" && pwd)
arch=${2:?armhf, arm64 or amd64}

case "$arch" in
armhf) platform=(--arch arm --variant v6) ;;
arm64) platform=(--arch arm64) ;;
amd64) platform=(--arch amd64) ;;
*)
	echo "image.sh: $arch is not built; choose from armhf, arm64, amd64" >&2
	exit 1
	;;
esac

context=$(mktemp -d)
trap 'rm -rf "$context"' EXIT
root="$context/rootfs"
mkdir -p "$context/state" "$root/etc/ssl/certs" "$root/etc/tidemark" "$root/usr/share"
install -D -m 0755 "$folder/tidemark-linux-$arch" "$root/usr/bin/tidemark"
cp -L /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/"
cp -r /usr/share/zoneinfo "$root/usr/share/zoneinfo"
echo 'tidemark:x:65532:65532:tidemark:/var/lib/tidemark:/sbin/nologin' >"$root/etc/passwd"

archive="$folder/tidemark-oci-$arch.tar"
rm -f "$archive"
buildah --storage-driver vfs --root "$context/storage" --runroot "$context/run" \
	build --isolation chroot "${platform[@]}" --timestamp "${SOURCE_DATE_EPOCH:-0}" \
	-f "$deploy/Containerfile" -t "oci-archive:$archive:tidemark" "$context"
echo "$archive: $(stat -c %s "$archive") bytes"
