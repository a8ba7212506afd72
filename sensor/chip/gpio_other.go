//go:build !linux

package chip

import "tidemark/sensor"

// openLines needs Linux.
func openLines(string, int, int) (Lines, error) {
	return nil, sensor.Faultf(sensor.Missing, "GPIO lines can only be used on Linux")
}
