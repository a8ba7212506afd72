package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// TestASilentThermometerIsTold after a quarter of an hour, once, and is over when
// it reads again.
func TestASilentThermometerIsTold(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.run(10*time.Minute, 10*time.Second, nil)
	gone := s.in.At
	s.in.Silent = []Silent{{"dough", gone}}
	s.run(30*time.Minute, 10*time.Second, nil)
	s.in.Silent = nil
	s.run(10*time.Minute, 10*time.Second, nil)
	require.Equal(t, []string{"12:25 raised probe_lost dough", "12:45 resolved probe_lost dough"}, s.said)
	a := s.saidA[0]
	assert.Equal(t, "tub: a thermometer gives nothing", a.Title)
	assert.Equal(t, "The thermometer in the dough of tub has given nothing since 12:10. The rise is still watched; warnings of heat, cold or an oven cannot come from it. Check its plug and cable; the page says under Sensors what it answers.", a.Text)
	assert.Equal(t, 3, a.Priority)
}

func TestAThermometerThatNeverReadIsTold(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.in.Silent = []Silent{{Sensor: "air"}}
	s.run(30*time.Minute, 10*time.Second, nil)
	require.Equal(t, []string{"12:15 raised probe_lost air"}, s.said)
	assert.Contains(t, s.saidA[0].Text, "The thermometer beside tub has given nothing so far.")
}

// TestALostSensorSaysWhatItKnows has a row for each status that tells more than
// that there is no reading.
func TestALostSensorSaysWhatItKnows(t *testing.T) {
	for fault, want := range map[string]string{
		"missing":    "the sensor gives no reading. Cable or power?",
		"stuck":      "the sensor repeats the same reading to the last digit.",
		"stale":      "the sensor node sends nothing. Does it have power and reach the network?",
		"unreliable": "the sensor calls its own readings unreliable.",
	} {
		s := newScene(t, text.Locale{})
		s.run(10*time.Minute, 10*time.Second, nil)
		s.in.HeightFault = fault
		s.set(func(e *estimator.Estimate) {
			e.Quality, e.QualityReason = estimator.QualityGap, estimator.NoReading
		})
		s.run(10*time.Minute, 10*time.Second, nil)
		require.Len(t, s.saidA, 1, fault)
		assert.Contains(t, s.saidA[0].Text, want)
	}
}

// After a restart each thermometer's warning is its own again, and ends.
func TestTwoSilentThermometersAreToldApartOverARestart(t *testing.T) {
	s := newScene(t, text.Locale{})
	silent := func(in *Input) {
		in.Silent = []Silent{{Sensor: "dough", Since: noon()}, {Sensor: "air", Since: noon()}}
	}
	s.run(20*time.Minute, time.Minute, silent)
	require.Len(t, s.saidA, 2)
	assert.NotEqual(t, s.saidA[0].ID, s.saidA[1].ID)
	again := newScene(t, text.Locale{})
	again.in = s.in
	again.w.Restore(s.saidA)
	again.run(10*time.Minute, time.Minute, silent)
	assert.Empty(t, again.said)
	again.run(20*time.Minute, time.Minute, func(in *Input) { in.Silent = in.Silent[:0] })
	assert.Len(t, again.said, 2, "both resolved")
	assert.Zero(t, again.open())
}
