package alert

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// set sets the clock, with everything before now.
func (k *kit) set(t *testing.T, by time.Duration) {
	t.Helper()
	m := ClockStep{Before: k.Now().Add(time.Second), By: by}
	require.NoError(t, k.manager.ClockStep(m, func() error {
		k.store.mu.Lock()
		defer k.store.mu.Unlock()
		for id, a := range k.store.alarms {
			k.store.alarms[id] = m.Alarm(a)
		}
		for id, l := range k.store.notifications {
			k.store.notifications[id] = m.Notification(l)
		}
		k.off.Add(int64(by))
		return nil
	}))
}

// steps are the ways in which a clock is set: from 1970 to now, and both ways by
// three hours in mid-rise.
func steps() map[string]time.Duration {
	return map[string]time.Duration{"from 1970": 56 * 365 * 24 * time.Hour, "forth": 3 * time.Hour, "back": -3 * time.Hour}
}

// TestAWaitingNotificationOutlivesASetClock sets the clock while the network is down.
func TestAWaitingNotificationOutlivesASetClock(t *testing.T) {
	for name, by := range steps() {
		t.Run(name, func(t *testing.T) {
			onPhone(t, func(t *testing.T, phone *fakeChannel, k *kit) {
				start := time.Now()
				phone.answer = func(Message, int) error {
					if time.Since(start) < 20*time.Minute {
						return errors.New("no route to host")
					}
					return nil
				}
				k.raise(t, Near, "n")
				time.Sleep(15*time.Minute + 30*time.Second)
				k.set(t, by)
				time.Sleep(11 * time.Minute)
				synctest.Wait()
				require.Equal(t, []string{"n"}, phone.titles(), "it neither expires nor waits for the old time")
				l := k.store.Notifications()[0]
				assert.Equal(t, Sent, l.State)
				assert.Equal(t, start.Add(by).Unix(), l.CreatedAt.Unix())
				assert.Equal(t, start.Add(by).Unix(), phone.took[0].Since.Unix())
				assert.Regexp(t, `^This message is 2\d min late\. Text of n\.$`, phone.took[0].Text, "late by what has truly passed")
			})
		})
	}
}

// TestASetClockDuringAnAttempt sets the clock while a notification is under way: when it
// fails it waits on by the new time.
func TestASetClockDuringAnAttempt(t *testing.T) {
	for name, by := range steps() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				phone := &fakeChannel{hang: true}
				k := newKit(NewMemStore(), Options{}, Route{Name: "phone", Channel: phone, Timeout: time.Minute})
				defer k.stop()
				k.raise(t, Near, "n")
				time.Sleep(30 * time.Second)
				k.set(t, by)
				time.Sleep(31 * time.Second)
				synctest.Wait()
				l := k.store.Notifications()[0]
				assert.Equal(t, Waiting, l.State)
				assert.Equal(t, 1, l.Attempts)
				assert.InDelta(t, 61, k.Now().Sub(l.CreatedAt).Seconds(), 1)
				phone.mu.Lock()
				phone.hang = false
				phone.mu.Unlock()
				time.Sleep(time.Minute)
				synctest.Wait()
				assert.Equal(t, []string{"n"}, phone.titles())
			})
		})
	}
}

// TestSnoozeAndEscalationKeepTheirSpans sets the clock while an alarm is quiet and
// while one waits to be told again.
func TestSnoozeAndEscalationKeepTheirSpans(t *testing.T) {
	for name, by := range steps() {
		t.Run(name, func(t *testing.T) {
			onPhone(t, func(t *testing.T, phone *fakeChannel, k *kit) {
				start := time.Now()
				k.raise(t, Reached, "quiet")
				k.raise(t, Over, "again")
				time.Sleep(time.Second)
				synctest.Wait()
				_, err := k.manager.Snooze(t.Context(), "quiet", "page", 30*time.Minute)
				require.NoError(t, err)
				time.Sleep(5*time.Minute + time.Second)
				k.set(t, by)
				time.Sleep(26 * time.Minute)
				synctest.Wait()
				minutes := map[string][]int{}
				for i, m := range phone.took {
					minutes[m.AlarmID] = append(minutes[m.AlarmID], int(phone.at[i].Sub(start).Round(time.Minute).Minutes()))
				}
				assert.Equal(t, []int{0, 30}, minutes["quiet"])
				assert.Equal(t, []int{0, 10, 17, 22, 27}, minutes["again"])
			})
		})
	}
}

// TestQuietHoursFollowASetClock holds notifications by the time of day that turns out to
// be right.
func TestQuietHoursFollowASetClock(t *testing.T) {
	for _, c := range []struct {
		name       string
		sleepFirst time.Duration // the bubble begins at midnight UTC
		by         time.Duration
		sent       bool
		until      int // hour of day at which it is told else
	}{
		{"night turns out to be evening", 0, -3 * time.Hour, true, 0},
		{"night turns out to be noon", 0, 12 * time.Hour, true, 0},
		{"night stays night", 0, 2 * time.Hour, false, 7},
		{"day turns out to be night", 20 * time.Hour, 3 * time.Hour, false, 7},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				phone := &fakeChannel{}
				phone.down.Store(true)
				policy := Options{Household: text.Locale{Zone: time.UTC}, Quiet: Quiet{From: "22:00", Until: "07:00"}}
				k := newKit(NewMemStore(), policy, Route{Name: "phone", Channel: phone})
				defer k.stop()
				time.Sleep(c.sleepFirst)
				k.raise(t, SensorSuspect, "s")
				time.Sleep(time.Minute)
				k.set(t, c.by)
				phone.down.Store(false)
				time.Sleep(2 * time.Minute)
				synctest.Wait()
				if c.sent {
					assert.Equal(t, []string{"s"}, phone.titles())
					return
				}
				assert.Empty(t, phone.titles())
				for range 12 * 60 {
					if len(phone.titles()) == 0 {
						time.Sleep(time.Minute)
						synctest.Wait()
					}
				}
				assert.Equal(t, []string{"s"}, phone.titles())
				assert.Equal(t, c.until, k.Now().UTC().Hour())
			})
		})
	}
}

// TestARefreshedTextReachesTheWaitingNotification words a notification that has not gone yet
// by today's figures, once and without a second notification.
func TestARefreshedTextReachesTheWaitingNotification(t *testing.T) {
	onPhone(t, func(t *testing.T, phone *fakeChannel, k *kit) {
		phone.down.Store(true)
		k.raise(t, Near, "n")
		time.Sleep(2 * time.Minute)
		fresh := raised(Near, "n")
		fresh.What, fresh.Alarm.Text = WasRefreshed, "At the mark at 18:40."
		require.NoError(t, k.manager.Apply(t.Context(), []Change{fresh}))
		phone.down.Store(false)
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		require.Len(t, phone.took, 1)
		assert.Contains(t, phone.took[0].Text, "At the mark at 18:40.")
		assert.Equal(t, WasRaised, phone.took[0].What)
		require.NoError(t, k.manager.Apply(t.Context(), []Change{fresh}))
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		assert.Len(t, phone.took, 1, "what was sent is not sent again")
	})
}

// TestMoveTakesPartOfTheTimes moves the times of one run and leaves those of the
// run before.
func TestMoveTakesPartOfTheTimes(t *testing.T) {
	began := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	m := ClockStep{From: began, Before: began.Add(10 * time.Minute), By: time.Hour}
	a := m.Alarm(Alarm{Since: began.Add(-time.Minute), FiredAt: began.Add(time.Minute), SnoozedAt: began.Add(2 * time.Minute),
		SnoozedUntil: began.Add(32 * time.Minute)})
	assert.Equal(t, Alarm{Since: began.Add(-time.Minute), FiredAt: began.Add(61 * time.Minute), SnoozedAt: began.Add(62 * time.Minute),
		SnoozedUntil: began.Add(92 * time.Minute)}, a)
	earlier := Alarm{SnoozedAt: began.Add(-time.Minute), SnoozedUntil: began.Add(5 * time.Minute)}
	assert.Equal(t, earlier, m.Alarm(earlier), "asked for in the run before: ends by the true time")
	l := Notification{CreatedAt: began.Add(-time.Second)}
	assert.Equal(t, l, m.Notification(l), "a notification of the run before stays")
}

// TestAClockStepKeepsHolds sets the clock while a warning is held back: it comes
// when it would have come.
func TestAClockStepKeepsHolds(t *testing.T) {
	for name, by := range steps() {
		t.Run(name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			s.set(func(e *estimator.Estimate) { e.Phase = estimator.Fallen })
			s.run(4*time.Minute, time.Minute, nil)
			assert.Empty(t, s.said)
			s.w.ClockStep(ClockStep{By: by})
			s.in.At = s.in.At.Add(by)
			s.run(time.Minute, time.Minute, nil)
			assert.Empty(t, s.said)
			s.run(time.Minute, time.Minute, nil)
			require.Len(t, s.saidA, 1)
			assert.Equal(t, Over, s.saidA[0].Kind)
			assert.Equal(t, 5*time.Minute, s.saidA[0].FiredAt.Sub(s.saidA[0].Since))
			s.run(time.Hour, time.Minute, nil)
			assert.Len(t, s.saidA, 1)
		})
	}
}
