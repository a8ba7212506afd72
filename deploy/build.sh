#!/usr/bin/env bash
# Builds the program and its Debian packages for every machine it runs on.
#
#   deploy/build.sh [FOLDER]     writes to FOLDER, by default dist/
#
# The result depends on the commit only, which names its Go as well: no paths, no
# build time, no user. ARCHS limits the list, e.g. ARCHS="arm64". VERSION and
# SOURCE_DATE_EPOCH are taken from the environment or from the last commit.
set -euo pipefail

deploy=$(cd "$(dirname "$0")" && pwd)
root=$(dirname "$deploy")
out=${1:-$root/dist}
mkdir -p "$out"
out=$(cd "$out" && pwd)
cd "$root"
. deploy/toolchain.sh

commit_field() {
	git log -1 --abbrev=8 "--date=format:%Y%m%d%H%M%S" "--format=$1" 2>/dev/null || true
}
: "${SOURCE_DATE_EPOCH:=$(commit_field %ct)}"
: "${VERSION:=0.1.0~git$(commit_field %cd.%h)}"
if [ -z "$SOURCE_DATE_EPOCH" ]; then
	echo "build.sh: this is no git checkout; set VERSION and SOURCE_DATE_EPOCH" >&2
	exit 1
fi
export SOURCE_DATE_EPOCH VERSION
# In a checkout Go writes the commit into the program; tidemark shows it.
stamp=false
if git rev-parse HEAD >/dev/null 2>&1; then stamp=true; fi

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# licences gathers the licence texts of every module that is in the program.
licences() {
	local path version dir file
	echo "tidemark is made with the modules below. Each stands under its own licence."
	echo "Portions of this software are copyright (C) 1996-2010 The FreeType Project (www.freetype.org). All rights reserved."
	GOOS=linux go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/tidemark |
		sort -u | while read -r path version dir; do
		printf '\n======== %s %s ========\n\n' "$path" "$version"
		find "$dir" -type f \( -path "$dir/licenses/ftl.txt" -o ! -path "$dir/*/*" \( -iname 'LICEN[SC]E*' -o -iname 'COPYING*' -o -iname 'NOTICE*' \) \) | sort |
			while read -r file; do cat "$file"; done
	done
}

# stage lays out the files of a package, all with the time of the commit.
stage() {
	local to=$1
	mkdir -p "$to/doc/examples"
	cp "$deploy"/package/tidemark.{service,sysusers.conf,modules.conf,avahi.service} "$deploy"/package/{60-tidemark.rules,boot-note,buses-on} "$deploy/tidemark.yaml" "$to/"
	cp -r "$deploy/README.md" "$deploy/wiring.md" "$deploy/wiring.svg" "$deploy/screens" "$to/doc/"
	cp -r "$deploy/prometheus" "$deploy/grafana" "$to/doc/examples/"
	{
		cat LICENSE
		printf '\n\n'
		cat "$work/licences"
	} >"$to/doc/copyright"
	printf 'tidemark (%s) stable; urgency=low\n\n  * Built from commit %s.\n\n -- tidemark developers <tidemark@localhost>  %s\n' \
		"$VERSION" "$(commit_field %h)" "$(date -R -u -d "@$SOURCE_DATE_EPOCH")" | gzip -9n >"$to/doc/changelog.gz"
	chmod -R u=rwX,go=rX "$to"
}

# build makes the program and the package of one Debian architecture.
build() {
	local arch=$1 goarch=$2 goarm=$3 stage_dir="$work/$1"
	stage "$stage_dir"
	CGO_ENABLED=0 GOOS=linux GOARCH=$goarch GOARM=$goarm GOFLAGS='' go build \
		-trimpath "-buildvcs=$stamp" -ldflags "-s -w -buildid=" \
		-o "$stage_dir/tidemark" ./cmd/tidemark
	cp "$stage_dir/tidemark" "$out/tidemark-linux-$arch"
	find "$stage_dir" -exec touch --no-dereference --date="@$SOURCE_DATE_EPOCH" {} +
	(cd "$deploy" && STAGE="$stage_dir" DEB_ARCH=$arch "$work/debpack" -config nfpm.yaml -target "$out")
}

licences >"$work/licences"
(cd "$deploy/debpack" && GOFLAGS=-buildvcs=false go build -o "$work/debpack" .)
for arch in ${ARCHS:-armhf arm64 amd64}; do
	case "$arch" in
	# A Pi Zero and a Pi 1 have ARMv6: code for a newer core dies there with
	# an illegal instruction.
	armhf) build armhf arm 6 ;;
	arm64) build arm64 arm64 '' ;;
	amd64) build amd64 amd64 '' ;;
	*)
		echo "build.sh: $arch is not built; choose from armhf, arm64, amd64" >&2
		exit 1
		;;
	esac
done
(cd "$out" && sha256sum tidemark-linux-* tidemark_*.deb >SHA256SUMS && cat SHA256SUMS)
