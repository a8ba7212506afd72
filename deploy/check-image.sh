#!/usr/bin/env bash
# Looks into a container image made by image.sh: the right machine, no root, no
# shell, nothing that others may write; and, when it is for this machine, starts
# the program in it as its user.
#
#   deploy/check-image.sh FOLDER ARCH
#
# It needs jq; to start the image also buildah and curl.
set -euo pipefail

archive="${1:?which folder holds the image}/tidemark-oci-${2:?armhf, arm64 or amd64}.tar"
arch=$2
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

die() {
	echo "check-image: $*" >&2
	exit 1
}
mkdir "$work/image"
tar -xf "$archive" -C "$work/image"
blob() { echo "$work/image/blobs/sha256/${1#sha256:}"; }

digest=$(jq -er '.manifests[0].digest' "$work/image/index.json")
manifest=$(blob "$digest")
config=$(blob "$(jq -er .config.digest "$manifest")")
case "$arch" in
armhf) machine='arm v6' ;;
*) machine="$arch " ;;
esac
test "$(jq -r '.architecture + " " + (.variant // "")' "$config")" = "$machine" || die "the image says it is for $(jq -c '[.architecture, .variant]' "$config"), expected $machine"
test "$(jq -r .config.User "$config")" = 65532:65532 || die "the image does not run as user 65532"
jq -r '.layers[].digest' "$manifest" | while read -r layer; do tar -tvf "$(blob "$layer")"; done >"$work/list"
awk '$1 ~ /^-..x|^-.....x|^-........x/ {print $6}' "$work/list" >"$work/programs"
test "$(cat "$work/programs")" = usr/bin/tidemark || die "expected one program, found: $(cat "$work/programs")"
if grep -E '^-.......w|^...s|^......s' "$work/list"; then die "files above may be written by anybody, or change the user"; fi
grep -Eq '^drwx.* 65532/65532 .* var/lib/tidemark/$' "$work/list" || die "the folder of the rises does not belong to user 65532"
echo "$(basename "$archive"): $digest, $(wc -l <"$work/list") entries, one program, user 65532, $(stat -c %s "$archive") bytes"

# starts runs the image with the package's own settings; no sensor is there, and
# the page has to say so all the same.
starts() {
	local store=(--storage-driver vfs --root "$work/storage" --runroot "$work/run") name
	mkdir -p "$work/etc"
	sed 's|^  listen: .*|  listen: 127.0.0.1:18097|' "$(dirname "$0")/tidemark.yaml" >"$work/etc/check-image.yaml"
	chmod -R a+rX "$work" "$work/etc"
	name=$(buildah "${store[@]}" from -q "oci-archive:$archive")
	buildah "${store[@]}" run --isolation chroot -v "$work/etc:/etc/tidemark:ro" "$name" -- /usr/bin/tidemark run --config /etc/tidemark/check-image.yaml >"$work/log" 2>&1 &
	trap 'kill $(ours) 2>/dev/null || true; wait; rm -rf "$work"' EXIT
	for _ in $(seq 60); do
		if curl -fs --max-time 5 http://127.0.0.1:18097/metrics | grep '^tidemark_build_info'; then
			stat -c 'the program in the image started as user %u and serves' "/proc/$(ours)"
			return
		fi
		sleep 1
	done
	cat "$work/log"
	die "the program in the image does not serve"
}
# ours prints the number of the process in the image.
ours() { pgrep -f '^/usr/bin/tidemark run --config /etc/tidemark/check-image.yaml$'; }
if [ "$arch" = "$(dpkg --print-architecture)" ] && command -v buildah >/dev/null; then starts; fi
