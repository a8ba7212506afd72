package alert

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// asleep lets a scene sleep for 40 minutes after ten minutes of readings. On
// waking no sensor has been asked yet.
func asleep(t *testing.T) *scene {
	s := newScene(t, text.Locale{})
	s.run(10*time.Minute, 10*time.Second, nil)
	seen := s.in.At
	s.in.At = s.in.At.Add(40 * time.Minute)
	s.in.System.Awake = s.in.At
	s.in.Silent = []Silent{{"dough", seen}} // its last answer before was a fault
	s.set(func(e *estimator.Estimate) { e.Quality = estimator.QualityGap })
	return s
}

// TestASleepLosesNoSensor: nothing was asked meanwhile.
func TestASleepLosesNoSensor(t *testing.T) {
	s := asleep(t)
	s.run(time.Minute, 10*time.Second, nil)
	s.in.Silent = nil
	s.set(func(e *estimator.Estimate) { e.Quality = estimator.QualityOK })
	s.run(30*time.Minute, 10*time.Second, nil)
	assert.Empty(t, s.said)
}

// TestASensorThatStaysAwayAfterASleepIsTold counts from waking, and names the last
// reading.
func TestASensorThatStaysAwayAfterASleepIsTold(t *testing.T) {
	s := asleep(t)
	s.run(30*time.Minute, 10*time.Second, nil)
	require.Equal(t, []string{"12:55 raised sensor_lost no_reading"}, s.said)
	assert.Equal(t, noon().Add(10*time.Minute), s.saidA[0].Since)
}

// TestAThermometerThatStaysAwayAfterASleepIsTold is the same for a probe.
func TestAThermometerThatStaysAwayAfterASleepIsTold(t *testing.T) {
	s := asleep(t)
	s.set(func(e *estimator.Estimate) { e.Quality = estimator.QualityOK })
	s.run(30*time.Minute, 10*time.Second, nil)
	require.Equal(t, []string{"13:05 raised probe_lost dough"}, s.said)
	assert.Equal(t, noon().Add(10*time.Minute), s.saidA[0].Since)
}

// TestRoundBeginsWhatIsDue goes round once without Run.
func TestRoundBeginsWhatIsDue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ch := &fakeChannel{hang: true}
		routes := []Route{{Name: "phone", Channel: ch}}
		store := NewMemStore()
		out := NewOutbox(store, routes, OutboxOptions{})
		manager := NewManager(store, out, routes, Policy{}, nil)
		out.Round(t.Context())
		assert.Zero(t, out.UnderWay(), "nothing is due")
		require.NoError(t, manager.Apply(t.Context(), []Change{raised(TooCold, "cold")}))
		out.Round(t.Context())
		out.Round(t.Context())
		synctest.Wait()
		assert.Equal(t, 1, out.UnderWay())
		time.Sleep(attemptMost + time.Second)
		synctest.Wait()
		assert.Zero(t, out.UnderWay(), "no answer came in time")
		ch.mu.Lock()
		ch.hang = false
		ch.mu.Unlock()
		time.Sleep(backoffMost)
		out.Round(t.Context())
		synctest.Wait()
		assert.Equal(t, []string{"cold"}, ch.titles())
	})
}
