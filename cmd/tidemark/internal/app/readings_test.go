package app

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/alert"
	"tidemark/sensor"
)

// TestLastReadings follows one thermometer that measures, fails and is asked no more.
func TestLastReadings(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	var l lastReadings
	assert.Equal(t, sensor.Stale, l.fresh(doughRole, at, time.Minute).Status, "not asked yet")
	assert.True(t, math.IsNaN(l.lately(doughRole, at, time.Hour)))
	assert.Empty(t, l.fault(doughRole))
	assert.Empty(t, l.silent())

	good := sensor.Reading{Status: sensor.OK, Quantity: sensor.Temperature, Value: 24.5}
	l.note(doughRole, good, at)
	assert.Equal(t, good, l.fresh(doughRole, at.Add(time.Minute), time.Minute))
	assert.Equal(t, sensor.Stale, l.fresh(doughRole, at.Add(time.Minute+1), time.Minute).Status)
	assert.Empty(t, l.silent())

	later := at.Add(10 * time.Minute)
	l.note(doughRole, sensor.Reading{Status: sensor.Missing, Quantity: sensor.Temperature}, later)
	assert.Equal(t, string(sensor.Missing), l.fault(doughRole))
	assert.Equal(t, []alert.Silent{{Sensor: "dough", Since: at}}, l.silent())
	assert.Equal(t, 24.5, l.lately(doughRole, later, 10*time.Minute), "what was measured last")
	assert.True(t, math.IsNaN(l.lately(doughRole, later.Add(1), 10*time.Minute)))
	assert.True(t, math.IsNaN(l.lately(airRole, later, time.Hour)), "another sensor")

	l.clockStep(alert.ClockStep{By: time.Hour})
	assert.Equal(t, []alert.Silent{{Sensor: "dough", Since: at.Add(time.Hour)}}, l.silent())
}
