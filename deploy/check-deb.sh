#!/usr/bin/env bash
# Looks into built packages: every file in its place, modes, dependencies, the
# settings file kept over upgrades, shell scripts that parse, the right code for
# the machine.
#
#   deploy/check-deb.sh FOLDER
set -euo pipefail

folder=${1:?which folder holds the packages}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

die() {
	echo "check-deb: $*" >&2
	exit 1
}

# expect_code checks what the program was built for, from the program itself.
expect_code() {
	local arch=$1 bin=$2 want
	case "$arch" in
	armhf) want='GOARM=6' ;;
	arm64) want='GOARCH=arm64' ;;
	amd64) want='GOARCH=amd64' ;;
	*) die "$arch is not an architecture of ours" ;;
	esac
	go version -m "$bin" | grep -qw "$want" || die "$bin was not built with $want"
	go version -m "$bin" | grep -qw 'CGO_ENABLED=0' || die "$bin needs a C library"
}

check() {
	local deb=$1 arch root control
	root="$work/$(basename "$deb")"
	arch=$(dpkg-deb -f "$deb" Architecture)
	control="$root/control"
	mkdir -p "$root/files"
	dpkg-deb -x "$deb" "$root/files"
	dpkg-deb -e "$deb" "$control"
	dpkg-deb -c "$deb" | awk '{print $1, $2, $6}' >"$root/list"
	while read -r line; do
		grep -qxF -- "$line" "$root/list" || die "$deb: expected \"$line\""
	done <<-'LIST'
		-rwxr-xr-x root/root ./usr/bin/tidemark
		-rw-r--r-- root/root ./usr/share/tidemark/tidemark.yaml
		-rw-r--r-- root/root ./etc/avahi/services/tidemark.service
		-rwxr-xr-x root/root ./usr/lib/tidemark/boot-note
		-rwxr-xr-x root/root ./usr/lib/tidemark/buses-on
		drwxr-x--- root/root ./etc/tidemark/
		drwx------ root/root ./etc/tidemark-secrets/
		-rw-r--r-- root/root ./lib/systemd/system/tidemark.service
		-rw-r--r-- root/root ./usr/lib/sysusers.d/tidemark.conf
		-rw-r--r-- root/root ./usr/lib/modules-load.d/tidemark.conf
		-rw-r--r-- root/root ./lib/udev/rules.d/60-tidemark.rules
		drwxr-xr-x root/root ./usr/share/doc/tidemark/
		drwxr-xr-x root/root ./usr/share/doc/tidemark/examples/prometheus/
		-rw-r--r-- root/root ./usr/share/doc/tidemark/examples/prometheus/alerts.yaml
		-rw-r--r-- root/root ./usr/share/doc/tidemark/copyright
		-rw-r--r-- root/root ./usr/share/doc/tidemark/README.md
	LIST
	if grep -qs "/etc/tidemark/tidemark.yaml" "$control/conffiles" "$root/list"; then die "$deb: an upgrade would ask about the settings, or overwrite them"; fi
	for script in postinst prerm postrm; do
		test -x "$control/$script" || die "$deb: $script is missing or cannot be run"
		sh -n "$control/$script" || die "$deb: $script does not parse"
		if grep -Eq '(^|[^_[:alnum:]])(read|debconf|db_input)[[:space:]]' "$control/$script"; then die "$deb: $script asks a question"; fi
	done
	expect_code "$arch" "$root/files/usr/bin/tidemark"
	echo "$(basename "$deb"): $(wc -l <"$root/list") entries, $(stat -c %s "$deb") bytes packed, $(dpkg-deb -f "$deb" Installed-Size) KiB installed"
}

found=0
for deb in "$folder"/*.deb; do
	test -e "$deb" || continue
	check "$deb"
	found=$((found + 1))
done
[ "$found" -gt 0 ] || die "$folder holds no package"
if command -v lintian >/dev/null; then
	# Left out on purpose: a Go program is linked statically, the licence texts of
	# its modules travel with it in full, and there is no public mail address.
	lintian --allow-root --fail-on error --suppress-tags statically-linked-binary,copyright-file-contains-full-apache-2-license,bogus-mail-host,bogus-mail-host-in-debian-changelog "$folder"/*.deb
fi
