package sensor_test

import (
	"context"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"

	"tidemark/sensor"
)

// dead is a sensor that never answers; switched counts what its supply line is set to.
func dead(switched *[]bool) *sensor.Driver {
	return &sensor.Driver{Quantity: sensor.Temperature, Open: func(context.Context) error { return nil },
		Measure: func(context.Context) (value, sd float64, err error) {
			return 0, 0, sensor.Fault(sensor.Missing, "range.empty")
		},
		Supply: func(high bool) error { *switched = append(*switched, high); return nil }}
}

// A dead sensor's supply is cut more and more seldom; it is set up again each time, so
// that it is read as soon as it comes back.
func TestADeadSensorIsLeftAloneMoreAndMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var switched []bool
		d := dead(&switched)
		var at []int
		for i := range 300 {
			before := len(switched)
			assert.Equal(t, sensor.Missing, d.Read(t.Context()).Status)
			if len(switched) > before {
				at = append(at, i)
			}
		}
		assert.Equal(t, []int{0, 3, 9, 21, 45, 93, 189, 285}, at, "on at first; then after 3, 6, 12, 24, 48, 96, 96 faults")
		assert.Equal(t, sensor.Recovery{Restarts: 297, Resets: 7}, d.Recovery())
		assert.NoError(t, d.Close())
	})
}
