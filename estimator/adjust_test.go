package estimator

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A mark set by hand wins over the table; 0 gives it back.
func TestMarkGoesBackToTheTable(t *testing.T) {
	s := plain()
	s.hours = 1
	cfg := s.config()
	cfg.TargetPercent, cfg.TargetTable = 0, CommonTargets()
	e, err := New(cfg)
	require.NoError(t, err)
	s.run(e, time.Minute, func(float64, Estimate) {})
	at := func(m int) Estimate { return e.Estimate(simEpoch.Add(time.Duration(m) * time.Minute)) }
	byTable := at(60).TargetPercent
	assert.InDelta(t, 50, byTable, 3, "24 C")
	e.SetTarget(80)
	assert.InDelta(t, 80, at(61).TargetPercent, 1e-9)
	e.SetTarget(0)
	assert.InDelta(t, byTable, at(62).TargetPercent, 0.1)
}

// Without a table 0 stands for doubling.
func TestMarkGoesBackToDoubling(t *testing.T) {
	s := plain()
	e, err := New(s.config())
	require.NoError(t, err)
	e.SetTarget(60)
	e.SetTarget(0)
	assert.InDelta(t, DefaultTargetPercent, e.Estimate(simEpoch).TargetPercent, 1e-9)
}

// After the end nothing is carried on: what is said is how things stood then.
func TestNothingMovesAfterTheEnd(t *testing.T) {
	s := plain()
	s.hours = 2.5
	s.events = map[time.Duration]Event{0: Start, 2 * time.Hour: End}
	e, err := New(s.config())
	require.NoError(t, err)
	tr := s.run(e, time.Minute, func(float64, Estimate) {})
	end := e.Estimate(simEpoch.Add(151 * time.Minute))
	require.Equal(t, Ended, end.Phase)
	assert.InDelta(t, tr.at(2), end.RisePercent, 2)
	later := e.Estimate(simEpoch.Add(14 * time.Hour))
	assert.InDelta(t, end.RisePercent, later.RisePercent, 1e-9)
	assert.InDelta(t, end.RiseSD, later.RiseSD, 1e-9)
	assert.InDelta(t, end.RatePercentPerHour, later.RatePercentPerHour, 1e-9)
	assert.Equal(t, end.Ready, later.Ready)
	assert.Equal(t, end.ReadyIsPast, later.ReadyIsPast)
}
