#!/usr/bin/env bash
# Builds a container image, as an OCI archive, from a program made by build.sh.
#
#   deploy/image.sh FOLDER ARCH     ARCH: armhf, arm64 or amd64; FOLDER: dist
#
# It needs buildah and jq, and the packages ca-certificates and tzdata of this machine:
# the image carries a copy, since it has no system of its own.
set -euo pipefail

deploy=$(cd "$(dirname "$0")" && pwd)
folder=$(cd "${1:?which folder holds the programs}" && pwd)
arch=${2:?armhf, arm64 or amd64}

case "$arch" in
armhf) platform=(--platform linux/arm/v6) ;;
arm64) platform=(--platform linux/arm64) ;;
amd64) platform=(--platform linux/amd64) ;;
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

layout="$context/layout"
buildah --storage-driver vfs --root "$context/storage" --runroot "$context/run" \
	build --isolation chroot "${platform[@]}" --timestamp "${SOURCE_DATE_EPOCH:-0}" \
	-f "$deploy/Containerfile" -t "oci:$layout:tidemark" "$context"

# blob puts a file into the layout under its digest and prints that.
blob() {
	local digest
	digest=$(sha256sum "$1" | cut -d ' ' -f 1)
	cp "$1" "$layout/blobs/sha256/$digest"
	echo "$digest"
}

# name_core says in the image which core it is for: some versions of buildah write
# v7 whatever they are told, and an image for v7 is refused by a Pi Zero.
name_core() {
	local manifest config new
	manifest=$(jq -r '.manifests[0].digest | ltrimstr("sha256:")' "$layout/index.json")
	config=$(jq -r '.config.digest | ltrimstr("sha256:")' "$layout/blobs/sha256/$manifest")
	jq -c '.variant = "v6"' "$layout/blobs/sha256/$config" >"$context/config"
	new=$(blob "$context/config")
	jq -c --arg d "sha256:$new" --argjson n "$(stat -c %s "$context/config")" '.config.digest = $d | .config.size = $n' "$layout/blobs/sha256/$manifest" >"$context/manifest"
	rm "$layout/blobs/sha256/$manifest" "$layout/blobs/sha256/$config"
	new=$(blob "$context/manifest")
	jq -c --arg d "sha256:$new" --argjson n "$(stat -c %s "$context/manifest")" '.manifests[0].digest = $d | .manifests[0].size = $n' "$layout/index.json" >"$context/index"
	cp "$context/index" "$layout/index.json"
}
if [ "$arch" = armhf ]; then name_core; fi

archive="$folder/tidemark-oci-$arch.tar"
tar -C "$layout" --sort=name --owner=0 --group=0 --numeric-owner --mode=u=rwX,go=rX "--mtime=@${SOURCE_DATE_EPOCH:-0}" -cf "$archive" blobs index.json oci-layout
echo "$archive: $(stat -c %s "$archive") bytes"
