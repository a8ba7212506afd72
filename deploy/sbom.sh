#!/usr/bin/env bash
# Writes what the program is made with: a bill of materials (CycloneDX, JSON)
# and, from it, the list of modules with their licences in DEPENDENCIES.md.
#
#   deploy/sbom.sh [FOLDER]            writes FOLDER/tidemark.cdx.json (dist/) and deploy/DEPENDENCIES.md
#   deploy/sbom.sh --check [FOLDER]    writes the bill only, and fails when DEPENDENCIES.md is out of date
#
# It needs jq. It also asks govulncheck for known weaknesses, and says so when
# the data for that cannot be had.
set -euo pipefail

check=no
if [ "${1:-}" = --check ]; then
	check=yes
	shift
fi
deploy=$(cd "$(dirname "$0")" && pwd)
root=$(dirname "$deploy")
out=${1:-$root/dist}
mkdir -p "$out"
out=$(cd "$out" && pwd)
cd "$root"
tools=$(mktemp -d)
trap 'rm -rf "$tools"' EXIT
list="$tools/list"

# The tools run here, the program they look at is the one for a Pi.
GOBIN="$tools" go install github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0
CGO_ENABLED=0 GOOS=linux GOARCH=arm64 GOFLAGS='' "$tools/cyclonedx-gomod" \
	app -json -licenses -assert-licenses -noserial -main cmd/tidemark -output "$out/tidemark.cdx.json" . 2>"$tools/log" || {
	tail -n 5 "$tools/log" >&2
	exit 1
}

{
	cat <<-'TEXT'
		# What tidemark is made with

		Written by `deploy/sbom.sh` from the program itself; do not edit. The licence texts are in the package, in `/usr/share/doc/tidemark/copyright`; the bill of materials (CycloneDX) is `tidemark.cdx.json` beside the packages.

		| module | version | licence |
		|---|---|---|
	TEXT
	jq -r '.components[] | select(.type == "library")
		| "| \(.name) | \(.version) | \([.licenses[]?.license | .id // .name] | unique | if length == 0 then "not recognised, see its text" else join(", ") end) |"' \
		"$out/tidemark.cdx.json" | LC_ALL=C sort
	echo
	echo "The Go standard library is part of every program: BSD-3-Clause."
} >"$list"

if [ "$check" = yes ]; then
	diff -u "$deploy/DEPENDENCIES.md" "$list" || {
		echo "deploy/DEPENDENCIES.md is out of date: run deploy/sbom.sh" >&2
		exit 1
	}
else
	cp "$list" "$deploy/DEPENDENCIES.md"
fi
echo "$(jq '.components | length' "$out/tidemark.cdx.json") modules; licences:"
jq -r '.components[].licenses[]?.license | .id // .name' "$out/tidemark.cdx.json" | sort | uniq -c

known="$tools/known"
if go run golang.org/x/vuln/cmd/govulncheck@v1.9.0 ./cmd/tidemark >"$known" 2>&1; then
	tail -n 3 "$known"
elif grep -q 'fetching vulnerabilities' "$known"; then
	echo "govulncheck: its data cannot be had here; known weaknesses were not looked up"
else
	cat "$known"
	exit 1
fi
