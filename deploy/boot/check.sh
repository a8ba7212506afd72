#!/bin/bash
# Runs inside the started system, as root, once it is up. Prints one line a
# check on the console and counts the failures. Not for a machine in use: it
# installs, kills and purges.
set -u

deb=$(echo /root/tidemark_*.deb)
config=/etc/tidemark/tidemark.yaml
tree=/var/fake-sysfs
bad=0

ok() { echo "CHECK fine: $*"; }
no() {
	echo "CHECK FAILED: $*"
	bad=$((bad + 1))
}
# expect NAME COMMAND...: the command has to succeed.
expect() {
	local name=$1
	shift
	if "$@" >/tmp/out 2>&1; then ok "$name"; else
		no "$name"
		tail -n 20 /tmp/out
	fi
}
# within SECONDS COMMAND...: the command has to succeed at some time until then.
within() {
	local until=$((SECONDS + $1))
	shift
	while [ "$SECONDS" -lt "$until" ]; do
		if "$@" >/dev/null 2>&1; then return 0; fi
		sleep 0.5
	done
	return 1
}
value() { systemctl show -p "$1" --value tidemark; }
changed() { [ "$(value "$1")" != "$2" ]; }
active() { [ "$(value ActiveState)" = active ]; }
restarted_since() { changed NRestarts "$1" && active; }
serves() { curl -fsS --max-time 10 http://127.0.0.1:8080/metrics | grep -q '^tidemark_'; }
told() { [ "$(journalctl -u tidemark -b --no-pager | grep -c -i -- "$1")" -gt 0 ]; }
group_of() { [ "$(stat -c %G "$1")" = "$2" ]; }

# lay_tree makes the files of a distance sensor and a probe as the kernel shows
# them; the real buses of this machine are empty.
lay_tree() {
	local iio=$tree/bus/iio/devices/iio:device0 w1=$tree/bus/w1/devices/28-00000a1b2c3d
	mkdir -p "$iio" "$w1"
	echo vl53l0x >"$iio/name"
	echo 190 >"$iio/in_distance_raw"
	echo 0.001000 >"$iio/in_distance_scale"
	printf '91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n' >"$w1/w1_slave"
	echo 25062 >"$w1/temperature"
	chmod -R a+rX "$tree"
}

write_config() {
	cat >"$config" <<-YAML
		sysfs: $tree
		sample_every: 1s
		vessels:
		  - name: jar
		    holds: starter
		    floor_mm: 240
		    profile: {shape: straight, diameter_mm: 95, height_mm: 150}
		    height: {kind: iio, device: "iio:device0"}
		    dough: {kind: w1, id: 28-00000a1b2c3d}
	YAML
}

try_install() {
	expect "the package installs without a question" dpkg -i "$deb"
	expect "user and groups are there" bash -c 'id tidemark && getent group i2c gpio dialout'
	expect "not started before it was set up" bash -c '! systemctl is-active tidemark'
	expect "will start with the machine" systemctl is-enabled tidemark
	expect "others cannot read settings and secrets" bash -c '[ "$(stat -c %a:%G /etc/tidemark/tidemark.yaml)" = 640:tidemark ] && [ "$(stat -c %a /etc/tidemark/secrets)" = 700 ]'
	if modprobe i2c-stub chip_addr=0x29 2>/dev/null; then
		expect "an I2C bus belongs to group i2c" within 20 group_of /dev/i2c-0 i2c
	else
		echo "CHECK left out: this kernel has no i2c-stub"
	fi
	if modprobe gpio-sim 2>/dev/null && mkdir -p /sys/kernel/config/gpio-sim/t/b && echo 1 >/sys/kernel/config/gpio-sim/t/live; then
		expect "a GPIO chip belongs to group gpio" within 20 bash -c 'stat -c %G /dev/gpiochip* | grep -qx gpio'
	else
		echo "CHECK left out: this kernel has no gpio-sim"
	fi
}

try_run() {
	local began=$SECONDS
	lay_tree
	write_config
	echo geheim >/etc/tidemark/secrets/phone
	expect "starts and says it is ready" systemctl start tidemark
	echo "CHECK figure: ready after $((SECONDS - began)) s, memory $(($(value MemoryCurrent) / 1048576)) MiB"
	expect "serves its metrics" within 60 serves
	expect "runs as its own user" bash -c '[ "$(stat -c %U /proc/$(systemctl show -p MainPID --value tidemark))" = tidemark ]'
	expect "its secret is there and nobody else's to read" bash -c '[ "$(stat -c %a /run/credentials/tidemark.service/secret_phone)" = 400 ]'
	expect "its history is there" bash -c 'ls /var/lib/tidemark/*.db'
	expect "stays up for 20 s" bash -c 'sleep 20; systemctl is-active tidemark'
	expect "journal names no refused system call" bash -c '! journalctl -b -k | grep -i "audit.*tidemark.*sig="'
}

try_reload() {
	cp "$config" /root/good.yaml
	echo 'nonsense: true' >>"$config"
	expect "takes a reload" systemctl reload tidemark
	expect "a settings file with a mistake is refused" within 30 told 'nonsense'
	expect "and the service stays" systemctl is-active tidemark
	cp /root/good.yaml "$config"
}

try_faults() {
	local count
	count=$(value NRestarts)
	kill -9 "$(value MainPID)"
	expect "comes back after kill -9" within 60 restarted_since "$count"
	mkdir -p /run/systemd/system/tidemark.service.d
	printf '[Service]\nWatchdogSec=10\nTimeoutAbortSec=5\n' >/run/systemd/system/tidemark.service.d/quick.conf
	systemctl daemon-reload
	systemctl restart tidemark
	expect "serves with a short watchdog" within 60 serves
	expect "feeds the watchdog" bash -c 'sleep 25; [ "$(systemctl show -p NRestarts --value tidemark)" = 0 ] && systemctl is-active tidemark'
	count=$(value NRestarts)
	kill -STOP "$(value MainPID)"
	expect "the watchdog ends a wedged process and starts a new one" within 90 restarted_since "$count"
	expect "the journal names the watchdog" told 'watchdog timeout'
	expect "serves again" within 60 serves
	rm "$tree/bus/iio/devices/iio:device0/in_distance_raw"
	expect "a dead sensor is no reason to die" bash -c 'sleep 25; systemctl is-active tidemark && [ "$(systemctl show -p NRestarts --value tidemark)" = '"$(value NRestarts)"' ]'
	lay_tree
}

try_upgrade() {
	local pid
	pid=$(value MainPID)
	expect "the package installs over itself" dpkg -i "$deb"
	expect "a running service is restarted" within 60 changed MainPID "$pid"
	expect "and serves" within 60 serves
	expect "the settings were kept" grep -q "$tree" "$config"
	systemctl stop tidemark
	expect "an orderly stop" bash -c '[ "$(systemctl show -p Result --value tidemark)" = success ]'
	dpkg -i "$deb" >/dev/null 2>&1
	expect "a stopped service stays stopped" bash -c '! systemctl is-active tidemark'
	systemctl start tidemark
	local began
	began=$(date +%s%N)
	systemctl stop tidemark
	echo "CHECK figure: stopped in $((($(date +%s%N) - began) / 1000000)) ms"
}

try_purge() {
	systemctl start tidemark
	expect "removal keeps the rises" bash -c 'dpkg -r tidemark && ls /var/lib/tidemark/*.db && [ -f /etc/tidemark/tidemark.yaml ]'
	expect "and stops the service" bash -c '! systemctl is-active tidemark'
	dpkg -P tidemark >/tmp/purge 2>&1
	expect "purge says what it takes" grep -q 'purge removes every recorded rise' /tmp/purge
	expect "and leaves nothing" bash -c '[ ! -e /var/lib/tidemark ] && [ ! -e /etc/tidemark ] && [ ! -e /usr/bin/tidemark ] && ! systemctl cat tidemark'
}

echo "CHECK system: $(uname -srm), $(systemctl --version | head -n 1)"
try_install
try_run
try_reload
try_faults
try_upgrade
try_purge
if [ "$bad" -gt 0 ]; then journalctl -u tidemark -b --no-pager | tail -n 80; fi
if [ "$bad" -eq 0 ]; then echo "CHECK END: all fine"; else echo "CHECK END: $bad failed"; fi
