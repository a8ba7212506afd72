#!/usr/bin/env bash
# Makes a newer package of a package, to try an upgrade with: the same files with
# a higher version.
#
#   deploy/boot/newer.sh PACKAGE NEWER
set -euo pipefail
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
dpkg-deb -R "$1" "$work/files"
sed -i 's/^Version: .*/&.1/' "$work/files/DEBIAN/control"
dpkg-deb --root-owner-group -Zgzip -b "$work/files" "$2" >/dev/null
