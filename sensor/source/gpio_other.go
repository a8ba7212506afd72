//go:build !linux

package source

import "tidemark/sensor"

// openLines needs Linux.
func openLines(string, int, int) (lines, error) {
	return nil, sensor.Fault(sensor.Missing, "gpio.none")
}
