package survey

import (
	"slices"

	"tidemark/sensor"
)

// Advise tells what to do about a sensor that failed so, most useful first.
func Advise(kind sensor.Kind, status sensor.Status) []string {
	for _, a := range advice() {
		if a.status == status && (a.kinds == nil || slices.Contains(a.kinds, kind)) {
			return a.text
		}
	}
	return []string{"check its wiring, then run tidemark check --scan to see what the machine finds"}
}

// advices is what to do about one verdict on some kinds; nil = on every kind.
type advices struct {
	kinds  []sensor.Kind
	status sensor.Status
	text   []string
}

// advice returns the table, kinds before what holds for all.
func advice() []advices {
	probe := []sensor.Kind{sensor.KindW1, sensor.KindDS18B20}
	i2c := []sensor.Kind{sensor.KindVL53L1X, sensor.KindVL6180X, sensor.KindBME280}
	kernel := []sensor.Kind{sensor.KindIIO, sensor.KindHwmon}
	echo := []sensor.Kind{sensor.KindHCSR04, sensor.KindSRF04}
	serial, mqtt := []sensor.Kind{sensor.KindSerial}, []sensor.Kind{sensor.KindMQTT}
	return []advices{
		{probe, sensor.Missing, []string{
			"switch 1-Wire on in the system's settings (on a Pi: dtoverlay=w1-gpio in config.txt) and start again",
			"check the three wires; the data wire needs a resistor of about 4.7 kilohm to 3.3 V",
			"run tidemark check --scan for the ids of the probes that answer"}},
		{probe, sensor.PowerOn, []string{
			"the probe gets too little power: wire its supply pin to 3.3 V instead of leaving it to the data wire",
			"check the resistor of about 4.7 kilohm between data and 3.3 V"}},
		{probe, sensor.BadData, []string{"shorten the cable, or take a smaller resistor (2.2 kilohm) between data and 3.3 V"}},
		{i2c, sensor.Missing, []string{
			"switch I2C on in the system's settings (on a Pi: dtparam=i2c_arm=on in config.txt) and start again",
			"check the wires SDA and SCL, ground, and 3.3 V at the chip; they are easily swapped",
			"run tidemark check --scan to see which chips answer and at which address"}},
		{i2c, sensor.ReadFailed, []string{
			"when it says no permission: add the user to the group i2c and log in again",
			"when it hangs: shorten the cable and wire the chip's shutdown line, so that it can be reset"}},
		{kernel, sensor.Missing, []string{
			"hand the chip to its kernel driver (deploy/wiring.md says how); that is lost at a restart unless the system does it",
			"run tidemark check --scan for the devices that the kernel sees and their names"}},
		{echo, sensor.ReadFailed, []string{
			"the sensor needs 5 V; its echo line gives 5 V too and must go through a divider (1 kilohm and 2 kilohm) before the Pi's 3.3 V input",
			"check that trigger and echo are not swapped",
			"when it says no permission: add the user to the group gpio and log in again"}},
		{echo, sensor.Missing, []string{"check the line numbers trigger and echo, and that no other program or overlay uses them"}},
		{echo, sensor.Unreliable, []string{"its beam is about 15 degrees wide: hang it in the middle and higher, or take a wider vessel; a time-of-flight chip sees a smaller spot"}},
		{serial, sensor.Missing, []string{"check the device name (ls -l /dev/serial*), and that the serial port is on and its login console off"}},
		{serial, sensor.ReadFailed, []string{
			"wire the head's TX to our RX, give it 5 V if it needs that, and keep its TX at 3.3 V",
			"when it says no permission: add the user to the group dialout and log in again"}},
		{serial, sensor.BadData, []string{"try the other format (frame or text), and the head's baud rate"}},
		{mqtt, sensor.Missing, []string{"check the broker's address, user and password_file, and that it can be reached from here"}},
		{mqtt, sensor.Stale, []string{
			"look whether the sensor node has power and reaches the network",
			"a node that seldom sends needs a longer check: tidemark check --seconds 120"}},
		{mqtt, sensor.BadData, []string{"look at a message of the topic: give field for JSON, and unit when it is not our own"}},
		{nil, sensor.Missing, []string{"check its wiring and supply, then run tidemark check --scan to see what the machine finds"}},
		{nil, sensor.ReadFailed, []string{"check its wiring and supply; a loose plug or a long thin cable does this"}},
		{nil, sensor.BadData, []string{"check its wiring; keep its cable short and away from motors and mains leads"}},
		{nil, sensor.OutOfRange, []string{"put the sensor over the vessel, with nothing in between, and look that its window is clean"}},
		{nil, sensor.Unreliable, []string{"look that the sensor sees the surface only, not the rim or the wall of the vessel"}},
		{nil, sensor.Stale, []string{"look whether the sensor node has power and reaches the network"}},
		{nil, sensor.Stuck, []string{"unplug the sensor and plug it in again; wire its shutdown or supply line so that this is done for you"}},
	}
}
