package say

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// update is shared by all packages under web, so that one command rewrites all
// golden files; there are none here.
func vienna(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	return zone
}

// at is a moment of the test day, 14 March 2026.
func at(t testing.TB, hour, minute int) time.Time {
	return time.Date(2026, 3, 14, hour, minute, 0, 0, vienna(t))
}

// estimate is a rise in full swing, to be changed by the cases.
func TestMoment(t *testing.T) {
	h := House{Zone: vienna(t)}
	now := at(t, 17, 20)
	for want, m := range map[string]time.Time{
		"17:20":             now,
		"00:00":             at(t, 0, 0),
		"tomorrow 00:00":    at(t, 24, 0),
		"yesterday 23:59":   at(t, 0, -1),
		"Mon 08:00":         at(t, 48+8, 0),
		"Sun 08:00":         at(t, -6*24+8, 0),
		"21 Mar 2026 08:00": at(t, 7*24+8, 0),
	} {
		assert.Equal(t, want, h.Moment(m, now))
	}
}

// The clocks go forward on 29 March 2026 in Vienna (EU directive 2000/84/EC:
// last Sunday of March at 01:00 UTC): that day has 23 hours.
func TestTomorrowAcrossDaylightSaving(t *testing.T) {
	zone := vienna(t)
	h := House{Zone: zone}
	assert.Equal(t, "tomorrow 00:10", h.Moment(time.Date(2026, 3, 30, 0, 10, 0, 0, zone), time.Date(2026, 3, 29, 0, 5, 0, 0, zone)))
	assert.Equal(t, "tomorrow 23:50", h.Moment(time.Date(2026, 3, 29, 23, 50, 0, 0, zone), time.Date(2026, 3, 28, 0, 5, 0, 0, zone)))
}

func TestDuration(t *testing.T) {
	for want, d := range map[string]time.Duration{"0 min": 0, "25 min": 25 * time.Minute, "1 h": time.Hour,
		"2 h 5 min": 125 * time.Minute, "1 d 2 h": 26*time.Hour + 40*time.Minute, "2 d": 48 * time.Hour} {
		assert.Equal(t, want, Duration(d))
	}
}
