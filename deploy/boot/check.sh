#!/bin/bash
# Runs inside the started system, as root, once it is up. Prints one line a
# check on the console and counts the failures. Not for a machine in use: it
# installs, kills and purges.
#
# Half way the power is cut; the machine starts again and the check goes on.
#
# The chips are the kernel's simulated ones; the drivers over them are the real
# ones: a VL53L0X distance chip and an LM75 thermometer on i2c-stub, and a
# gpio-sim chip with eight lines. What is in their registers is invented.
set -u

deb=/root/first.deb
newer=/root/newer.deb
config=/etc/tidemark/tidemark.yaml
page=http://127.0.0.1:8080
bus=
# What has to outlive the power cut in the middle, one value a file.
kept=/root/kept
mkdir -p "$kept"

ok() { echo "CHECK fine: $*"; }
no() {
	echo "CHECK FAILED: $*"
	echo "$*" >>"$kept/failed"
}
figure() { echo "CHECK figure: $*"; }
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
not() { ! "$@"; }
# code_of STATUS ADDRESS: the page answers so there.
code_of() { [ "$(curl -s -o /dev/null --max-time 20 -w '%{http_code}' "$2")" = "$1" ]; }
# lan is an address that is not loopback.
ip link add kitchen type dummy 2>/dev/null && ip addr add 192.0.2.77/24 dev kitchen && ip link set kitchen up
lan=192.0.2.77
millis() { echo $(($(date +%s%N) / 1000000)); }
value() { systemctl show -p "$1" --value tidemark; }
changed() { [ "$(value "$1")" != "$2" ]; }
active() { [ "$(value ActiveState)" = active ]; }
restarted_since() { changed NRestarts "$1" && active; }
serves() { curl -fsS --max-time 20 "$page/metrics" | grep -q '^tidemark_'; }
told() { [ "$(journalctl -u tidemark -b --no-pager | grep -c -i -- "$1")" -gt 0 ]; }
group_of() { [ "$(stat -c %G "$1")" = "$2" ]; }
# metric NAME prints the value of the first line of that name.
metric() { curl -fsS --max-time 20 "$page/metrics" | sed -n "s/^$1{.* //p;s/^$1 //p" | head -n 1; }
# close_to NAME VALUE: that metric is within 1 in 50 of a value.
close_to() { metric "$1" | awk -v want="$2" '{ok = ($1 > want * 0.98 && $1 < want * 1.02)} END {exit !ok}'; }
rise() { curl -fsS --max-time 20 "$page/api/v1/vessels" | grep -o '"rise_id": *[1-9][0-9]*' | head -n 1 | grep -o "[0-9]*$"; }
start_of() { metric tidemark_rise_start_timestamp_seconds; }
same_rise() { [ "$(rise) $(start_of)" = "$1" ]; }
has_rise() { [ -n "$(rise)" ]; }
# chip_ok N: the distance chip counts as good (1) or not (0).
chip_ok() { [ "$(curl -fsS --max-time 20 "$page/metrics" | sed -n 's/^tidemark_sensor_ok{sensor="height".* //p')" = "$1" ]; }

# distance MM and temperature C put a reading into a chip. The LM75 has the whole
# degrees in the first byte of its register 0; on the wire the first byte is the
# low one of an SMBus word.
distance() {
	i2cset -f -y "$bus" 0x29 0x1e $(($1 / 256)) && i2cset -f -y "$bus" 0x29 0x1f $(($1 % 256))
}
temperature() { i2cset -f -y "$bus" 0x48 0x00 "$1" w; }

# plug_in makes the simulated chips and hands them to their kernel drivers.
plug_in() {
	expect "the kernel has i2c-stub" modprobe i2c-stub chip_addr=0x29,0x48
	expect "the kernel has gpio-sim" modprobe gpio-sim
	bus=$(grep -l 'SMBus stub' /sys/bus/i2c/devices/i2c-*/name | sed 's/.*i2c-\([0-9]*\).*/\1/' | head -n 1)
	expect "the module i2c-dev is loaded" within 30 test -c "/dev/i2c-$bus"
	i2cset -f -y "$bus" 0x29 0x14 0x01 # a ranging is complete
	distance 190
	temperature 25
	echo vl53l0x 0x29 >"/sys/bus/i2c/devices/i2c-$bus/new_device"
	echo lm75 0x48 >"/sys/bus/i2c/devices/i2c-$bus/new_device"
	expect "the kernel's distance driver reads the chip" within 30 grep -qx 190 /sys/bus/iio/devices/iio:device0/in_distance_raw
	mkdir -p /sys/kernel/config/gpio-sim/kitchen/bank
	echo 8 >/sys/kernel/config/gpio-sim/kitchen/bank/num_lines
	echo 1 >/sys/kernel/config/gpio-sim/kitchen/live
	gpio=/dev/$(cat /sys/kernel/config/gpio-sim/kitchen/bank/chip_name)
}

write_config() {
	cat >"$config" <<-YAML
		sample_every: 1s
		vessels:
		  - name: jar
		    holds: starter
		    floor_mm: 240
		    profile: {shape: straight, diameter_mm: 95, height_mm: 150}
		    height: {kind: iio, name: vl53l0x}
		    dough: {kind: hwmon, name: lm75}
	YAML
}

try_install() {
	local began=$SECONDS
	expect "the package installs without a question" dpkg -i "$deb"
	tee /tmp/installed </tmp/out
	figure "installed in $((SECONDS - began)) s"
	expect "user and groups are there" bash -c 'id tidemark && getent group i2c gpio dialout'
	expect "started, to be set up" within 60 active
	expect "the code stands in the journal" within 30 told 'type the code'
	expect "and was told by the installation" grep -q 'type the code' /tmp/installed
	mkdir -p /boot/firmware && touch /boot/firmware/config.txt # as on a Pi
	/usr/lib/tidemark/boot-note
	expect "and on the card's first partition" grep -q "$(grep -o 'code [A-Z0-9]*-[A-Z0-9]*' /tmp/installed)" /boot/firmware/tidemark-setup.txt
	expect "the house reaches setting up" within 30 code_of 200 "http://$lan:8080/setup"
	expect "and nothing else" bash -c "$(declare -f code_of); code_of 403 http://$lan:8080/settings && code_of 403 http://$lan:8080/metrics && code_of 403 http://$lan:8080/api/v1/vessels"
	expect "the page offers to switch the buses on" bash -c 'curl -fs http://127.0.0.1:8080/settings | grep -q /settings/buses'
	expect "it is asked to" curl -fs -o /dev/null -X POST http://127.0.0.1:8080/settings/buses
	expect "the lines stand in config.txt" within 30 grep -q '^dtoverlay=w1-gpio$' /boot/firmware/config.txt
	expect "the service is back" within 30 code_of 200 http://127.0.0.1:8080/settings
	expect "and asks for a start of the Pi" bash -c 'curl -fs http://127.0.0.1:8080/settings | grep -q "Start the Pi anew"'
	expect "the service may replace its settings" bash -c '[ "$(stat -c %a:%U:%G /etc/tidemark)" = 750:tidemark:tidemark ]'
	expect "will start with the machine" systemctl is-enabled tidemark
	expect "others cannot read settings and secrets" bash -c '[ "$(stat -c %a:%G /etc/tidemark/tidemark.yaml)" = 640:tidemark ] && [ "$(stat -c %a /etc/tidemark-secrets)" = 700 ]'
}

try_buses() {
	plug_in
	expect "the I2C bus belongs to group i2c" within 30 group_of "/dev/i2c-$bus" i2c
	expect "the GPIO chip belongs to group gpio" within 30 group_of "$gpio" gpio
	tidemark check --scan >/tmp/scan 2>&1
	cat /tmp/scan
	expect "scan finds the distance chip" grep -q 'vl53l0x, distance' /tmp/scan
	expect "scan finds the thermometer" grep -q 'lm75, temperature' /tmp/scan
	expect "scan finds the GPIO chip" grep -q "$gpio" /tmp/scan
	expect "scan suggests settings for them" grep -q 'kind: iio, name: vl53l0x' /tmp/scan
	printf 'vessels:\n  - name: tub\n    holds: dough\n    floor_mm: 300\n    profile: {shape: straight, diameter_mm: 180, height_mm: 200}\n    height: {kind: hcsr04, device: %s, trigger: 2, echo: 3}\n' "$gpio" >/tmp/tub.yaml
	tidemark check --seconds 5 --config /tmp/tub.yaml >/tmp/tub 2>&1
	expect "an ultrasonic pair that never answers is told, with exit code 1" test $? -eq 1
	cat /tmp/tub
}

try_run() {
	local began=$SECONDS
	write_config
	expect "the sensors pass check" tidemark check --seconds 5 --config "$config"
	cat /tmp/out
	echo invented >/etc/tidemark-secrets/phone
	began=$(millis)
	expect "starts and says it is ready" systemctl restart tidemark
	figure "ready after $(($(millis) - began)) ms, memory $(($(value MemoryCurrent) / 1048576)) MiB"
	expect "at READY it already listens" serves
	expect "and the store is open" test -s /var/lib/tidemark/tidemark.db
	expect "the page answers on loopback and names the vessel" bash -c "curl -fsSL --max-time 60 $page/ | grep -q jar"
	expect "nobody outside this machine reaches it" bash -c '! grep -q "^ *[0-9]*: 00000000:1F90" /proc/net/tcp && ! grep -q "^ *[0-9]*: 0\{32\}:1F90" /proc/net/tcp6'
	expect "the level comes from chip to page" within 60 close_to tidemark_level_meters 0.050
	expect "and so does the temperature" within 60 close_to tidemark_dough_celsius 25
	expect "runs as its own user" bash -c '[ "$(stat -c %U /proc/$(systemctl show -p MainPID --value tidemark))" = tidemark ]'
	expect "its secret is there and nobody else's to read" bash -c '[ "$(stat -c %a /run/credentials/tidemark.service/secret_phone)" = 400 ]'
	expect "the buses are open to the service" systemctl show -p DeviceAllow tidemark
	expect "exposure is 2.0 or better" systemd-analyze security --no-pager --threshold=20 tidemark.service
	figure "$(tail -n 1 /tmp/out)"
	expect "journal names no refused system call" bash -c '! journalctl -b -k | grep -i "audit.*tidemark.*sig="'
}

try_reload() {
	local pid
	pid=$(value MainPID)
	cp "$config" /root/good.yaml
	echo 'nonsense: true' >>"$config"
	expect "takes a reload" systemctl reload tidemark
	expect "a settings file with a mistake is refused, with its reason" within 30 told 'nonsense'
	expect "and the old settings go on" close_to tidemark_target_ratio 1
	cp /root/good.yaml "$config"
	echo '    target_percent: 80' >>"$config"
	expect "takes a second reload" systemctl reload tidemark
	expect "good settings are taken into use" within 30 close_to tidemark_target_ratio 0.8
	expect "by the same process" test "$(value MainPID)" = "$pid"
}

try_faults() {
	local count before
	expect "a rise is started" curl -fsS --max-time 20 -H 'Content-Type: application/json' -d '{"kind":"start"}' "$page/api/v1/vessels/jar/acts"
	expect "and has a number" within 30 has_rise
	sleep 15
	before="$(rise) $(start_of)"
	count=$(value NRestarts)
	kill -9 "$(value MainPID)"
	expect "comes back after kill -9" within 180 restarted_since "$count"
	expect "serves" within 60 serves
	expect "with the same rise and the same start" within 60 same_rise "$before"
	figure "rise and start $before before, $(rise) $(start_of) after"
	mkdir -p /run/systemd/system/tidemark.service.d
	printf '[Service]\nWatchdogSec=20\nTimeoutAbortSec=5\n' >/run/systemd/system/tidemark.service.d/quick.conf
	systemctl daemon-reload
	systemctl restart tidemark
	expect "serves with a short watchdog" within 60 serves
	count=$(value NRestarts)
	expect "feeds the watchdog" bash -c 'sleep 45; systemctl is-active tidemark'
	expect "without a restart" test "$(value NRestarts)" = "$count"
	before=$SECONDS
	kill -STOP "$(value MainPID)"
	expect "the watchdog ends a wedged process and starts a new one" within 240 restarted_since "$count"
	figure "wedged, ended and ready again in $((SECONDS - before)) s with a watchdog of 20 s"
	expect "the journal names the watchdog" told 'watchdog timeout'
	expect "serves again" within 60 serves
}

try_dead_chip() {
	local count
	count=$(value NRestarts)
	echo 0x29 >"/sys/bus/i2c/devices/i2c-$bus/delete_device"
	expect "a chip that vanishes is told" within 60 chip_ok 0
	expect "a dead sensor is no reason to die" bash -c 'sleep 45; systemctl is-active tidemark'
	expect "nor to be started anew" test "$(value NRestarts)" = "$count"
	echo vl53l0x 0x29 >"/sys/bus/i2c/devices/i2c-$bus/new_device"
	expect "the chip comes back without a restart" within 60 chip_ok 1
}

# keep NAME VALUE writes a value through to the disk.
keep() { echo "$2" | dd of="$kept/$1" conv=fsync status=none; }

# cut_power stops the machine at once: nothing is written out, no process is told.
cut_power() {
	expect "readings are taken until the power goes" within 120 close_to tidemark_level_meters 0.050
	sleep 70 # the history is written once a minute
	keep rise "$(rise) $(start_of)"
	keep cut "$(date +%s)"
	if [ -e "$kept/failed" ]; then keep failed "$(cat "$kept/failed")"; fi
	echo "CHECK power: cut now"
	sleep 1
	echo b >/proc/sysrq-trigger
	sleep 600
}

# rows prints the times of the readings kept of the rise, in Unix seconds.
rows() {
	curl -fsS --max-time 60 "$page/api/v1/rises/$(cut -d ' ' -f 1 "$kept/rise")/samples.csv" | grep -o '^20[0-9T:.-]*Z' | date -f - +%s
}

try_after_cut() {
	local last
	figure "the machine is up again $(cut -d. -f1 /proc/uptime) s after its start"
	expect "the service started with the machine" within 180 active
	expect "and serves, though no chip is there yet" within 60 serves
	expect "the same rise goes on, with the same start" within 60 same_rise "$(cat "$kept/rise")"
	last=$(rows | awk -v cut="$(cat "$kept/cut")" '$1 <= cut' | tail -n 1)
	figure "last reading on the disk $(($(cat "$kept/cut") - last)) s before the cut"
	expect "at most the last minute is lost" test $(($(cat "$kept/cut") - last)) -le 65
	plug_in
	expect "chips that come late are found without a restart" within 120 chip_ok 1
	expect "the level is seen again" within 60 close_to tidemark_level_meters 0.050
}

# term stops the process with SIGTERM, as systemd does, and says how long it took.
term() {
	local began took
	began=$(millis)
	systemctl stop tidemark
	took=$(($(millis) - began))
	figure "stopped in $took ms"
	expect "stops within 2 s" test "$took" -le 2000
	expect "in good order" test "$(value Result)" = success
}

try_upgrade() {
	local pid
	pid=$(value MainPID)
	expect "a newer package installs over it" dpkg -i "$newer"
	cat /tmp/out
	expect "a running service is restarted" within 60 changed MainPID "$pid"
	expect "and serves" within 60 serves
	expect "the settings were kept" grep -q 'target_percent: 80' "$config"
	expect "with their owner and mode" test "$(stat -c %a:%U:%G "$config")" = 640:tidemark:tidemark
	expect "the rise was kept" has_rise
	term
	expect "installing over a stopped service" dpkg -i "$deb"
	expect "a stopped service stays stopped" not systemctl is-active tidemark
	systemctl start tidemark
	pid=$(value MainPID)
	echo 'nonsense: true' >>"$config"
	dpkg -i "$newer" >/tmp/out 2>&1
	cat /tmp/out
	expect "with settings that the new program refuses the old one goes on" test "$(value MainPID)" = "$pid"
	cp /root/good.yaml "$config"
}

try_purge() {
	rm -rf /run/systemd/system/tidemark.service.d
	systemctl daemon-reload
	expect "removal keeps the rises and the settings" bash -c 'dpkg -r tidemark && [ -s /var/lib/tidemark/tidemark.db ] && [ -f /etc/tidemark/tidemark.yaml ]'
	expect "and stops the service" not systemctl is-active tidemark
	dpkg -P tidemark >/tmp/purge 2>&1
	cat /tmp/purge
	expect "purge says what it takes" grep -q 'purge removes every recorded rise' /tmp/purge
	expect "and leaves nothing" bash -c '[ ! -e /var/lib/tidemark ] && [ ! -e /etc/tidemark ] && [ ! -e /etc/tidemark-secrets ] && [ ! -e /usr/bin/tidemark ] && ! systemctl cat tidemark'
	expect "no file of the package is left" bash -c '! find / -xdev -name "*tidemark*" -not -path "/root/*" -not -path "/proc/*" -not -path "/sys/*" -not -path "/var/lib/dpkg/*" -not -path "/tmp/*" | grep .'
}

# try_script installs without the package.
try_script() {
	local script=/root/script/install.sh
	dpkg-deb -x "$deb" /root/unpacked
	expect "the install script works without a question" "$script" /root/unpacked/usr/bin/tidemark
	cat /tmp/out
	write_config
	expect "its service starts" systemctl restart tidemark
	expect "and serves" within 60 serves
	expect "the script updates a running service" "$script" /root/unpacked/usr/bin/tidemark
	cat /tmp/out
	expect "which then serves" within 60 serves
	expect "with the settings as they were" grep -q 'name: lm75' "$config"
	expect "the script takes the service away" "$script" --remove
	cat /tmp/out
	expect "and keeps rises and settings" test -s /var/lib/tidemark/tidemark.db -a -f "$config"
	expect "but no program and no unit" bash -c '[ ! -e /usr/local/bin/tidemark ] && ! systemctl cat tidemark'
}

# wait_for_a_visitor installs the package, plugs the chips in and says the code: the rest
# is done in a browser outside.
wait_for_a_visitor() {
	local card
	card=$(basename "$(ls -d /sys/class/net/e* | head -n 1)")
	ip link set "$card" up && ip addr add 10.0.2.15/24 dev "$card" && ip route add default via 10.0.2.2
	dpkg -i "$deb" >/tmp/installed 2>&1
	cat /tmp/installed
	plug_in
	within 120 active
	echo "CHECK code $(grep -o '[A-Z0-9]\{4\}-[A-Z0-9]\{4\}' /tmp/installed | head -n 1)"
	sleep infinity
}

if [ -e /root/walk ]; then wait_for_a_visitor; fi
if [ ! -e "$kept/cut" ]; then
	echo "CHECK system: $(. /etc/os-release && echo "$PRETTY_NAME"), $(uname -srm), $(systemctl --version | head -n 1), $(date -u +%F)"
	figure "up after $(cut -d. -f1 /proc/uptime) s"
	try_install
	try_buses
	try_run
	try_reload
	try_faults
	try_dead_chip
	journalctl -u tidemark -b --no-pager | grep -E 'systemd\[|level='
	cut_power
fi
try_after_cut
try_upgrade
try_purge
try_script
journalctl -u tidemark -b --no-pager | grep -E 'systemd\[|level='
if [ ! -e "$kept/failed" ]; then
	echo "CHECK END: all fine"
else
	echo "CHECK END: failed:"
	cat "$kept/failed"
fi
