//go:build !linux

package chip

import "tidemark/sensor"

// openLines needs Linux.
func openLines(string, int, int) (Lines, error) {
	return nil, sensor.Fault(sensor.Missing, "gpio.none")
}
