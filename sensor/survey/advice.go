package survey

import (
	"tidemark/sensor"
)

// Advise tells what to do about a sensor that failed so, most useful first.
func Advise(kind sensor.Kind, status sensor.Status) []string {
	advice := byKind(kind)[status]
	if len(advice) == 0 {
		advice = byStatus()[status]
	}
	if len(advice) == 0 {
		advice = []string{"check its wiring, then run tidemark check --scan to see what the machine finds"}
	}
	return advice
}

// table is what to do, by verdict.
type table map[sensor.Status][]string

// byStatus is what holds for every kind.
func byStatus() table {
	return table{
		sensor.Missing:    {"check its wiring and supply, then run tidemark check --scan to see what the machine finds"},
		sensor.ReadFailed: {"check its wiring and supply; a loose plug or a long thin cable does this"},
		sensor.BadData:    {"check its wiring; keep its cable short and away from motors and mains leads"},
		sensor.OutOfRange: {"put the sensor over the vessel, with nothing in between, and look that its window is clean"},
		sensor.Unreliable: {"look that the sensor sees the surface only, not the rim or the wall of the vessel"},
		sensor.Stale:      {"look whether the sensor node has power and reaches the network"},
		sensor.Stuck:      {"unplug the sensor and plug it in again; wire its shutdown or supply line so that this is done for you"},
	}
}

// byKind is what holds for one kind beyond that.
func byKind(kind sensor.Kind) table {
	switch kind {
	case sensor.KindW1, sensor.KindDS18B20:
		return probeAdvice()
	case sensor.KindVL53L1X, sensor.KindVL6180X, sensor.KindBME280:
		return i2cAdvice()
	case sensor.KindIIO, sensor.KindHwmon:
		return kernelAdvice()
	case sensor.KindHCSR04, sensor.KindSRF04:
		return echoAdvice()
	case sensor.KindSerial:
		return serialAdvice()
	case sensor.KindMQTT:
		return mqttAdvice()
	}
	return nil
}

func probeAdvice() table {
	return table{
		sensor.Missing: {
			"switch 1-Wire on in the system's settings (on a Pi: dtoverlay=w1-gpio in config.txt) and start again",
			"check the three wires; the data wire needs a resistor of about 4.7 kilohm to 3.3 V",
			"run tidemark check --scan for the ids of the probes that answer",
		},
		sensor.PowerOn: {
			"the probe gets too little power: wire its supply pin to 3.3 V instead of leaving it to the data wire",
			"check the resistor of about 4.7 kilohm between data and 3.3 V",
		},
		sensor.BadData: {"shorten the cable, or take a smaller resistor (2.2 kilohm) between data and 3.3 V"},
	}
}

func i2cAdvice() table {
	return table{
		sensor.Missing: {
			"switch I2C on in the system's settings (on a Pi: dtparam=i2c_arm=on in config.txt) and start again",
			"check the wires SDA and SCL, ground, and 3.3 V at the chip; they are easily swapped",
			"run tidemark check --scan to see which chips answer and at which address",
		},
		sensor.ReadFailed: {
			"when it says no permission: add the user to the group i2c and log in again",
			"when it hangs: shorten the cable and wire the chip's shutdown line, so that it can be reset",
		},
	}
}

func kernelAdvice() table {
	return table{
		sensor.Missing: {
			"hand the chip to its kernel driver (deploy/wiring.md says how); that is lost at a restart unless the system does it",
			"run tidemark check --scan for the devices that the kernel sees and their names",
		},
	}
}

func echoAdvice() table {
	return table{
		sensor.ReadFailed: {
			"the sensor needs 5 V; its echo line gives 5 V too and must go through a divider (1 kilohm and 2 kilohm) before the Pi's 3.3 V input",
			"check that trigger and echo are not swapped",
			"when it says no permission: add the user to the group gpio and log in again",
		},
		sensor.Missing:    {"check the line numbers trigger and echo, and that no other program or overlay uses them"},
		sensor.Unreliable: {"its beam is about 15 degrees wide: hang it in the middle and higher, or take a wider vessel; a time-of-flight chip sees a smaller spot"},
	}
}

func serialAdvice() table {
	return table{
		sensor.Missing:    {"check the device name (ls -l /dev/serial*), and that the serial port is on and its login console off"},
		sensor.ReadFailed: {"wire the head's TX to our RX, give it 5 V if it needs that, and keep its TX at 3.3 V", "when it says no permission: add the user to the group dialout and log in again"},
		sensor.BadData:    {"try the other format (frame or text), and the head's baud rate"},
	}
}

func mqttAdvice() table {
	return table{
		sensor.Missing: {"check the broker's address, user and password_file, and that it can be reached from here"},
		sensor.Stale: {
			"look whether the sensor node has power and reaches the network",
			"a node that seldom sends needs a longer check: tidemark check --seconds 120",
		},
		sensor.BadData: {"look at a message of the topic: give field for JSON, and unit when it is not our own"},
	}
}
