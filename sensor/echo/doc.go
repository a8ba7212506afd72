// Package echo reads ultrasonic distance sensors: the HC-SR04 class on two GPIO
// lines with the kernel's timestamps, the same sensor through the kernel's
// srf04 driver, and heads that send their distance over a serial line.
//
// Units: distance in mm, time of flight as time.Duration, temperature in
// Celsius.
//
// Sources: HC-SR04 user guide (trigger of 10 us or more, echo width
// proportional to distance, 2 to 400 cm, 60 ms between pings, a pulse of about
// 38 ms when there is no echo); Linux kernel, drivers/iio/proximity/srf04.c
// (fixed speed of 343.5 m/s); package sound for the speed of sound. The frames
// of serial heads are from memory.
//
// Invariants: a distance is the median of a burst; a pulse that means "no echo"
// never becomes a distance; bytes that arrived before a reading began are never
// served as that reading.
//
// The standard deviation of a reading is that of its burst. Errors that stay the
// same for long (air temperature taken wrongly, carbon dioxide in the jar) are
// not in it.
package echo
