package virtual

import (
	"math"
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

// firstAt finds when what is in a vessel first passes a ratio of its volume.
func firstAt(t *testing.T, k *Kitchen, vessel string, ratio float64) time.Time {
	t.Helper()
	for at := k.Scenario().Start; at.Before(k.Scenario().Until); at = at.Add(time.Minute) {
		if p := k.at(vessel, at); p.present && p.riseRatio() >= ratio {
			return at
		}
	}
	t.Fatalf("%s never passes %v", vessel, ratio)
	return time.Time{}
}

// first finds when an event happens to a vessel first.
func first(t *testing.T, k *Kitchen, vessel, event string) time.Time {
	t.Helper()
	for _, a := range k.Events() {
		if a.Vessel == vessel && a.Kind == event {
			return a.At
		}
	}
	t.Fatalf("no %s of %s", event, vessel)
	return time.Time{}
}

// Bulk at about 24 C takes four to six hours to double at a usual inoculation:
// common practice, no source.
func TestDoughDoublesInAPlausibleTime(t *testing.T) {
	k := New(Household(day()), 1)
	took := firstAt(t, k, "tub", 2).Sub(first(t, k, "tub", "start"))
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

func TestSensorsHaveTheFaultsOfRealOnes(t *testing.T) {
	k := New(Household(day()), 3)
	count := map[sensor.Status]int{}
	var sum, sumSq float64
	n := 0
	for at := day().Add(15*time.Hour + 40*time.Minute); at.Before(day().Add(17 * time.Hour)); at = at.Add(2 * time.Second) {
		r := k.Distance("tub", at)
		count[r.Status]++
		if off := r.Value - (240 - k.at("tub", at).surfaceMM()); r.Status == sensor.OK && math.Abs(off) < 20 {
			assert.Equal(t, math.Round(r.Value), r.Value, "steps of 1 mm")
			sum, sumSq, n = sum+off, sumSq+off*off, n+1
		}
	}
	assert.Greater(t, count[sensor.ReadFailed], 10)
	assert.Less(t, count[sensor.ReadFailed], 120)
	assert.InDelta(t, 0, sum/float64(n), 0.2)
	assert.InDelta(t, 1.63, math.Sqrt(sumSq/float64(n)), 0.25, "noise of 1.6 mm and a step of 1 mm")
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
