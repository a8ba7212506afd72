// Package kernel reads probes and distance sensors through the files that the
// Linux kernel offers for them: 1-wire thermometers, industrial I/O (IIO) and
// hardware monitoring (hwmon).
//
// Units: readings are in the units of package sensor (mm, Celsius, ratio 0..1).
// The kernel's own units are metres (distance), thousandths of a degree
// (temperature) and thousandths of a percent (humidity).
//
// Sources: Linux kernel documentation, w1/slaves/w1_therm.rst and
// ABI/testing/sysfs-bus-iio and sysfs-class-hwmon; DS18B20 datasheet (register
// table, power-on value); Maxim Application Note 27 (CRC).
//
// Invariants: no file handle and no device path outlives one reading, so a
// probe that vanished and came back under the same name is found again. Nothing is
// written to the kernel's files.
package kernel
