# shellcheck shell=bash
# Sourced by the scripts that build: takes the Go that go.mod names, so that a
# package is made with the same Go everywhere and has its mended standard library.
# Go fetches it through the module proxy. Where it cannot be had, the Go that is
# there is used, and that is said.

named_go() { sed -n 's/^toolchain //p' go.mod; }

if (GOTOOLCHAIN=auto go version) >/dev/null 2>&1; then
	export GOTOOLCHAIN=auto
else
	echo "$(named_go) cannot be had here: $(go version) is used instead" >&2
fi
