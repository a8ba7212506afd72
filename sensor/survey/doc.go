// Package survey finds out what sensors a machine has, whether they work, and how
// they sit over a vessel: the work behind the commands check and level, and behind
// the same steps on the page.
//
// Units: mm, litres, Celsius, degrees of angle.
//
// It reads and advises; it changes nothing on the machine. SetCalibration gives
// back a changed text of a configuration, it writes no file.
package survey
