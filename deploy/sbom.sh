#!/usr/bin/env bash
# Writes what the program is made with: the list of modules with their licences
# in DEPENDENCIES.md, and a bill of materials (CycloneDX, JSON) with the same
# licences in it.
#
#   deploy/sbom.sh [FOLDER]            writes deploy/DEPENDENCIES.md and FOLDER/tidemark.cdx.json (dist/)
#   deploy/sbom.sh --check [FOLDER]    the same, but fails when DEPENDENCIES.md is out of date
#
# It needs jq. Known weaknesses are looked up by vulncheck.sh.
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
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# modules lists what is in the program as it goes onto a Pi.
modules() {
	CGO_ENABLED=0 GOOS=linux GOARCH=arm64 go list -deps \
		-f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/tidemark | LC_ALL=C sort -u
}

# licence names the licences of a module by the sentences that only they have.
# A text with none of them stops the script: a person has to read it.
licence() {
	local dir=$1 text found=()
	text=$(find "$dir" -maxdepth 1 -type f \( -iname 'LICEN[SC]E*' -o -iname 'COPYING*' \) ! -iname '*3RD-PARTY*' -exec cat {} + | tr -s '[:space:]' ' ')
	case "$text" in *'Apache License Version 2.0'* | *'Apache License, Version 2.0'*) found+=(Apache-2.0) ;; esac
	case "$text" in *'Permission is hereby granted, free of charge, to any person'*) found+=(MIT) ;; esac
	case "$text" in *'Permission to use, copy, modify, and/or distribute this software'* | *'Permission to use, copy, modify, and distribute this software'*) found+=(ISC) ;; esac
	case "$text" in *'The FreeType License'*) found+=(FTL) ;; esac
	case "$text" in *'Mozilla Public License'*) found+=(MPL-2.0) ;; esac
	case "$text" in *'Eclipse Public License'*) found+=(EPL-2.0) ;; esac
	case "$text" in *'Eclipse Distribution License'*) found+=(BSD-3-Clause) ;; esac
	case "$text" in
	*'Redistribution and use in source and binary forms'*[Nn]'either the name'*) found+=(BSD-3-Clause) ;;
	*'Redistribution and use in source and binary forms'*) found+=(BSD-2-Clause) ;;
	esac
	if [ "${#found[@]}" -eq 0 ]; then
		echo "sbom.sh: the licence of $dir is not recognised; read it and teach this script" >&2
		return 1
	fi
	printf '%s\n' "${found[@]}" | sort -u | paste -sd ' '
}

modules >"$work/modules"
while read -r path version dir; do
	printf '%s\t%s\t%s\n' "$path" "$version" "$(licence "$dir")"
done <"$work/modules" >"$work/table"

{
	cat <<-'TEXT'
		# What tidemark is made with

		Written by `deploy/sbom.sh` from the program itself; do not edit. Where two licences stand, the module's licence file holds both: it offers a choice, or parts of it stand under the second. The texts are in the package, in `/usr/share/doc/tidemark/copyright`. The bill of materials (CycloneDX) is `tidemark.cdx.json` beside the packages.

		| module | version | licence |
		|---|---|---|
	TEXT
	awk -F '\t' '{gsub(" ", ", ", $3); print "| " $1 " | " $2 " | " $3 " |"}' "$work/table"
	printf '\nThe Go standard library is part of every program: BSD-3-Clause.\n'
} >"$work/list"

if [ "$check" = yes ]; then
	diff -u "$deploy/DEPENDENCIES.md" "$work/list" || {
		echo "deploy/DEPENDENCIES.md is out of date: run deploy/sbom.sh" >&2
		exit 1
	}
else
	cp "$work/list" "$deploy/DEPENDENCIES.md"
fi

# The tools run here, the program they look at is the one for a Pi.
GOBIN="$work" go install github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0
CGO_ENABLED=0 GOOS=linux GOARCH=arm64 GOFLAGS='' "$work/cyclonedx-gomod" \
	app -json -noserial -main cmd/tidemark -output "$work/bare.json" . 2>"$work/log" || {
	tail -n 5 "$work/log" >&2
	exit 1
}
jq --rawfile table "$work/table" '
	($table | split("\n") | map(select(. != "") | split("\t") | {key: .[0], value: (.[2] | split(" "))}) | from_entries) as $known
	| .components |= map(.licenses = [($known[.name] // [])[] | {license: {id: .}}])' \
	"$work/bare.json" >"$out/tidemark.cdx.json"
echo "$(wc -l <"$work/table") modules in the program; licences:"
cut -f 3 "$work/table" | tr ' ' '\n' | sort | uniq -c
