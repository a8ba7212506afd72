#!/bin/sh
# Installs tidemark on a Pi or another Linux machine with systemd, without the
# Debian package. Run it as root from a checkout or an unpacked release:
#
#   sudo deploy/install.sh PROGRAM     PROGRAM: the built tidemark
#   sudo deploy/install.sh --remove    takes the program away, keeps your data
#
# Where apt is at hand, the package is the better way: it also removes cleanly.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
unit_dir=/etc/systemd/system
program=/usr/local/bin/tidemark

say() { echo "tidemark: $*"; }
die() {
	echo "tidemark: $*" >&2
	exit 1
}

[ "$(id -u)" = 0 ] || die "this needs root: sudo $0 $*"

remove() {
	systemctl disable --now tidemark.service 2>/dev/null || true
	rm -rf /usr/lib/tidemark
	rm -f "$program" "$unit_dir/tidemark.service" /etc/sysusers.d/tidemark.conf \
		/etc/modules-load.d/tidemark.conf /etc/avahi/services/tidemark.service /etc/udev/rules.d/60-tidemark.rules
	systemctl daemon-reload
	say "removed. Your rises stay in /var/lib/tidemark, your settings in /etc/tidemark."
	say "To remove those too: rm -r /var/lib/tidemark /etc/tidemark /etc/tidemark-secrets"
}

# install_files puts everything in place. Settings that exist are kept.
install_files() {
	install -D -m 0755 "$1" "$program.new"
	mv "$program.new" "$program"
	install -D -m 0644 "$here/package/tidemark.sysusers.conf" /etc/sysusers.d/tidemark.conf
	install -D -m 0644 "$here/package/tidemark.modules.conf" /etc/modules-load.d/tidemark.conf
	install -D -m 0644 "$here/package/60-tidemark.rules" /etc/udev/rules.d/60-tidemark.rules
	sed "s|/usr/bin/tidemark|$program|" "$here/package/tidemark.service" >"$unit_dir/tidemark.service"
	chmod 0644 "$unit_dir/tidemark.service"
	install -D -m 0755 -t /usr/lib/tidemark "$here/package/boot-note" "$here/package/buses-on"
	systemd-sysusers
	[ ! -d /etc/avahi/services ] || install -m 0644 "$here/package/tidemark.avahi.service" /etc/avahi/services/tidemark.service
	install -d -m 0750 -o tidemark -g tidemark /etc/tidemark # the service replaces its settings there
	install -d -m 0700 /etc/tidemark-secrets
	if [ ! -e /etc/tidemark/tidemark.yaml ]; then
		install -m 0640 -o tidemark -g tidemark "$here/tidemark.yaml" /etc/tidemark/tidemark.yaml
	fi
}

if [ "${1:-}" = --remove ]; then
	remove
	exit 0
fi
[ -f "${1:-}" ] || die "name the built program: $0 PROGRAM (deploy/build.sh builds it)"
"$1" help >/dev/null || die "$1 does not run on this machine ($(uname -m)); take the one built for it"
command -v systemd-sysusers >/dev/null || die "systemd-sysusers is missing: this machine has no systemd, start tidemark run by your own means"
install_files "$1"
modprobe i2c-dev 2>/dev/null || say "i2c-dev could not be loaded now: switch the bus on (see README), then restart the machine."
udevadm control --reload || true
udevadm trigger --subsystem-match=i2c-dev --subsystem-match=gpio --subsystem-match=w1 --action=add || true
systemctl daemon-reload
systemctl enable tidemark.service
if systemctl --quiet is-active tidemark.service; then
	# Exit code 2 of check means: the settings are wrong. Others are about sensors.
	status=0
	timeout 60 "$program" check --seconds 1 --config /etc/tidemark/tidemark.yaml || status=$?
	if [ "$status" -eq 2 ]; then
		die "the new version does not accept /etc/tidemark/tidemark.yaml; the old one goes on watching."
	fi
	systemctl restart tidemark.service
	say "updated and running."
else
	systemctl start tidemark.service
	"$program" setup --code --config /etc/tidemark/tidemark.yaml || true
fi
