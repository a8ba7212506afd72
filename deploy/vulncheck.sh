#!/usr/bin/env bash
# Looks for known weaknesses in the program: govulncheck, with the Go project's
# own database of them.
#
#   deploy/vulncheck.sh                     the database as it was at the date below
#   VULNDB=latest deploy/vulncheck.sh       as it is today
#
# The database comes through the module proxy, as module golang.org/x/vulndb: that
# works where vuln.go.dev cannot be reached. A weakness that the program calls
# fails, in a module or in the standard library of the Go that go.mod names. With
# another Go the standard library's are told only.
set -euo pipefail

cd "$(dirname "$0")/.."
. deploy/toolchain.sh
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT


: "${VULNDB:=v0.0.0-20261105234957-e22db6528018}"
GOBIN="$work" GOFLAGS='' go install golang.org/x/vuln/cmd/govulncheck@v1.9.0
# In a folder of its own: the module of the database is none of the project's.
if ! (cd "$work" && go mod download -json "golang.org/x/vulndb@$VULNDB") >"$work/vulndb.json" 2>"$work/log"; then
	tail -n 3 "$work/log"
	echo "govulncheck: its database cannot be had here; known weaknesses were not looked up"
	exit 0
fi
osv=$(jq -er .Dir "$work/vulndb.json")/data/osv

# The database as govulncheck reads it: one file a weakness, and which module has
# which (source: API of the Go vulnerability database, version 1,
# https://go.dev/doc/security/vuln/database#api).
db="$work/db"
mkdir -p "$db/ID" "$db/index"
cp "$osv"/*.json "$db/ID/"
find "$osv" -name '*.json' -print0 | xargs -0 jq -c '{id, modified, path: .affected[].package.name}' >"$work/rows"
jq -s 'group_by(.path) | map({path: .[0].path, vulns: (map({id, modified}) | unique)})' "$work/rows" >"$db/index/modules.json"
jq -s '{modified: (map(.modified) | max)}' "$work/rows" >"$db/index/db.json"
known=$(jq -s 'map(.id) | unique | length' "$work/rows")
test "$known" -gt 1000 # a database that was not read would find nothing

# Of the program as it goes onto a Pi. A finding that names a function is called.
CGO_ENABLED=0 GOOS=linux GOARCH=arm64 GOFLAGS='' "$work/govulncheck" -db "file://$db" -format json ./cmd/tidemark >"$work/found.json"
jq -rs '[.[].finding | select(. and .trace[0].function)] | map({id: .osv, module: .trace[0].module, fixed: .fixed_version}) | unique
	| .[] | [.id, .module, .fixed] | @tsv' "$work/found.json" >"$work/called"
echo "govulncheck: $known known weaknesses looked up (database ${VULNDB##*v0.0.0-}); called by the program:"
summary() { jq -r .summary "$db/ID/$1.json"; }
while IFS=$'\t' read -r id where fixed; do
	echo "  $id in $where, mended in $fixed: $(summary "$id")"
done <"$work/called"
echo "  $(grep -vcw stdlib "$work/called" || true) in modules, $(grep -cw stdlib "$work/called" || true) in the standard library of $(go env GOVERSION)"
if grep -qvw stdlib "$work/called"; then
	echo "vulncheck.sh: a module with a known weakness is in use: take a newer version of it" >&2
	exit 1
fi
if [ -s "$work/called" ] && [ "$(go env GOVERSION)" = "$(named_go)" ]; then
	echo "vulncheck.sh: the standard library has a known weakness: go get toolchain@VERSION, with a version that mends it" >&2
	exit 1
fi
