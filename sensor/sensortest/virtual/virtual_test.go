package virtual

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

// day is the day of the invented story.
func day() time.Time { return time.Date(2026, 3, 7, 0, 0, 0, 0, time.FixedZone("", 3600)) }

// at runs the kitchen on and returns a vessel.
func (k *Kitchen) at(vessel string, at time.Time) *pot {
	k.runTo(at)
	return k.pots[vessel]
}

// Bulk at about 24 C takes four to six hours to double at a usual inoculation:
// common practice, no source.
func TestDoughDoublesInAPlausibleTime(t *testing.T) {
	k := New(Household(day()), 1)
	events := k.Events()
	began := slices.IndexFunc(events, func(e Event) bool { return e.Vessel == "tub" && e.Kind == "start" })
	require.GreaterOrEqual(t, began, 0)
	at := events[began].At
	for k.at("tub", at).riseRatio() < 2 {
		at = at.Add(time.Minute)
		require.True(t, at.Before(k.Scenario().Until))
	}
	took := at.Sub(events[began].At)
	assert.Greater(t, took, 4*time.Hour)
	assert.Less(t, took, 6*time.Hour)
}

func TestStarterPeaksAndBeginsToFall(t *testing.T) {
	s := Household(day())
	for i, a := range s.Events { // left alone instead of used
		if a.Vessel == "jar" && a.Kind == "end" {
			s.Events[i].Kind = ""
		}
	}
	k := New(s, 1)
	var peak, last float64
	for at := s.Start.Add(10 * time.Minute); at.Before(s.Until); at = at.Add(time.Minute) {
		last = k.at("jar", at).riseRatio()
		peak = max(peak, last)
	}
	assert.InDelta(t, 2.3, peak, 0.4)
	assert.Less(t, last, peak-0.3)
}

func TestSameSeedSameReadingsInAnyOrder(t *testing.T) {
	a := New(Household(day()), 7)
	b := New(Household(day()), 7)
	at := day().Add(14 * time.Hour)
	first := []sensor.Reading{a.Distance("tub", at), a.Dough("tub", at), a.Air("jar", at)}
	b.Dough("jar", at.Add(-time.Hour))
	air := b.Air("jar", at)
	dough := b.Dough("tub", at)
	second := []sensor.Reading{b.Distance("tub", at), dough, air}
	assert.Equal(t, first, second)
	other := New(Household(day()), 8)
	same := 0
	for i := range 20 {
		t := at.Add(time.Duration(i) * time.Minute)
		if other.Dough("tub", t).Value == a.Dough("tub", t).Value {
			same++
		}
	}
	assert.Less(t, same, 20, "another seed gives other noise")
}

func TestLidOffAndDraught(t *testing.T) {
	k := New(Household(day()), 3)
	before := k.Air("tub", day().Add(14*time.Hour+19*time.Minute))
	wrong := 0
	after := k.Air("tub", day().Add(14*time.Hour+27*time.Minute))
	for at := day().Add(15*time.Hour + 30*time.Minute); at.Before(day().Add(15*time.Hour + 33*time.Minute)); at = at.Add(time.Second) {
		if r := k.Distance("tub", at); r.Status != sensor.OK || r.Value > 300 {
			wrong++
		}
	}
	assert.Greater(t, wrong, 175, "the sensor looks elsewhere")
	require.Equal(t, sensor.OK, before.Status)
	require.Equal(t, sensor.OK, after.Status)
	assert.Less(t, after.Value, before.Value-4)
}
