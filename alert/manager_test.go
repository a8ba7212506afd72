package alert

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// alarmOf returns a stored alarm.
func alarmOf(t *testing.T, s *MemStore, id string) Alarm {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	require.Contains(t, s.alarms, id)
	return s.alarms[id]
}

func TestEscalationShortensAndEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		phone, mail := &fakeChannel{}, &fakeChannel{}
		k := newKit(NewMemStore(), Options{}, Route{Name: "phone", Channel: phone}, Route{Name: "post", Channel: mail, FromLevel: 2})
		defer k.stop()
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Over, "o")}))
		time.Sleep(12 * time.Hour)
		synctest.Wait()
		var minutes, priorities []int
		for i, m := range phone.took {
			minutes = append(minutes, int(phone.at[i].Sub(start).Round(time.Minute).Minutes()))
			priorities = append(priorities, m.Priority)
		}
		assert.Equal(t, []int{0, 10, 17, 22, 27}, minutes)
		assert.Equal(t, []int{4, 5, 5, 5, 5}, priorities)
		assert.Equal(t, 2, mail.took[0].Level, "the second channel joins at level 2")
		assert.Len(t, mail.took, 3)
		assert.Equal(t, "Still not answered, message 3. Text of o.", phone.took[2].Text)
	})
}

func TestAckEndsEscalation(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Over, "o")}))
		time.Sleep(15 * time.Minute)
		a, err := k.manager.Ack(t.Context(), "o", "push")
		require.NoError(t, err)
		assert.Equal(t, "push", a.AckedBy)
		worse := raised(Over, "o")
		worse.What, worse.Alarm.Reason, worse.Alarm.Text = WasEscalated, noRiseLeft, "Newer."
		require.NoError(t, k.manager.Apply(t.Context(), []Change{worse}))
		time.Sleep(5 * time.Hour)
		synctest.Wait()
		assert.Len(t, ch.took, 2, "quiet after the answer")
		got := alarmOf(t, k.store, "o")
		assert.Equal(t, Acknowledged, got.State)
		assert.Equal(t, "Newer.", got.Text, "the page shows the newer text all the same")
		_, err = k.manager.Ack(t.Context(), "nothing", "page")
		assert.ErrorIs(t, err, ErrUnknownAlarm)
	})
}

func TestSnoozeComesBack(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		start := time.Now()
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(LevelsOff, "l")}))
		synctest.Wait()
		_, err := k.manager.Snooze(t.Context(), "l", "push", 45*time.Minute)
		require.NoError(t, err)
		time.Sleep(3 * time.Hour)
		synctest.Wait()
		require.Len(t, ch.took, 2)
		assert.Equal(t, 45*time.Minute, ch.at[1].Sub(start).Round(time.Minute))
		assert.Equal(t, Firing, alarmOf(t, k.store, "l").State)
	})
}

func TestADeadNetworkDoesNotPileUpMessages(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		ch.down.Store(true)
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Over, "o")}))
		time.Sleep(90 * time.Minute)
		ch.down.Store(false)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		require.Len(t, ch.took, 1, "four escalations, one message")
		assert.Equal(t, 5, ch.took[0].Priority)
		assert.Contains(t, ch.took[0].Text, "late.")
	})
}

func TestQuietHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // bubbles begin at midnight UTC
		ch := &fakeChannel{}
		k := newKit(NewMemStore(), Options{Quiet: Quiet{From: "22:30", Until: "06:30"}}, Route{Name: "phone", Channel: ch})
		defer k.stop()
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(SensorLost, "lost")}))
		time.Sleep(time.Hour)
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(OvenHeating, "oven")}))
		time.Sleep(10 * time.Second)
		_, err := k.manager.Ack(t.Context(), "oven", "page")
		require.NoError(t, err)
		time.Sleep(5*time.Hour + 20*time.Minute) // 06:20
		synctest.Wait()
		assert.Equal(t, []string{"oven"}, ch.titles(), "only what breaks through, and no escalation of the rest")
		time.Sleep(20 * time.Minute)
		synctest.Wait()
		require.Equal(t, []string{"oven", "lost"}, ch.titles())
		assert.NotContains(t, ch.took[1].Text, "late", "held on purpose is not late")
	})
}

func TestQuietHold(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	q := Quiet{From: "22:30", Until: "06:30", zone: berlin}
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 10, day, hour, minute, 0, 0, berlin) }
	for _, c := range []struct {
		now, want time.Time
	}{
		{at(20, 22, 29), at(20, 22, 29)},
		{at(20, 22, 30), at(21, 6, 30)},
		{at(21, 3, 0), at(21, 6, 30)},
		{at(21, 6, 30), at(21, 6, 30)},
		{at(24, 23, 0), at(25, 6, 30)}, // the clocks go back in this night
	} {
		assert.True(t, c.want.Equal(q.hold(SensorLost, c.now)), "%s: got %s", c.now, q.hold(SensorLost, c.now))
		assert.True(t, c.now.Equal(q.hold(OvenHeating, c.now)))
	}
}

func TestResolvedTakesItsNotificationsBack(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		ch.answer = func(m Message, _ int) error {
			if m.What == WasRaised {
				return errors.New("down")
			}
			return nil
		}
		hot := raised(TooHot, "hot")
		require.NoError(t, k.manager.Apply(t.Context(), []Change{hot}))
		time.Sleep(time.Minute)
		hot.What, hot.Alarm.State = WasResolved, Resolved
		require.NoError(t, k.manager.Apply(t.Context(), []Change{hot}))
		time.Sleep(time.Hour)
		synctest.Wait()
		assert.Equal(t, []string{"hot/phone/0 withdrawn"}, states(k.store))
	})
}

func TestTheEndOfALostSensorIsTold(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		lost := raised(SensorLost, "lost")
		require.NoError(t, k.manager.Apply(t.Context(), []Change{lost}))
		time.Sleep(time.Minute)
		lost.What, lost.Alarm.State, lost.Alarm.Title = WasResolved, Resolved, "back"
		require.NoError(t, k.manager.Apply(t.Context(), []Change{lost}))
		synctest.Wait()
		require.Equal(t, []string{"lost", "back"}, ch.titles())
		assert.Equal(t, 2, ch.took[1].Priority)
		assert.Equal(t, ch.took[0].AlarmID, ch.took[1].AlarmID, "so that it can replace the first")
	})
}

func TestApplyTwiceTellsOnce(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		for range 3 {
			require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
			clock := raised(ClockNotSet, fmt.Sprint("clock", time.Now().UnixNano()))
			clock.Alarm.Vessel = ""
			require.NoError(t, k.manager.Apply(t.Context(), []Change{clock}))
			time.Sleep(time.Minute)
		}
		synctest.Wait()
		assert.Len(t, ch.took, 2)
	})
}

// TestMessagesOfferTheAnswersOfThePage has a row for each kind that more than seen and
// later can be said to.
func TestMessagesOfferTheAnswersOfThePage(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Input)
		want   []string // verbs of the buttons
	}{
		{"ready at night", advised(bake.AdviseFridge, false), []string{"fridge", "ack", "snooze"}},
		{"too far for the tub by the morning", advised(bake.AdviseShape, false), []string{"shaped", "ack", "snooze"}},
		{"warm", func(in *Input) { in.Estimate.DoughC = 34 }, []string{"fridge", "ack", "snooze"}},
		{"cold", func(in *Input) { in.Estimate.DoughC = 12 }, []string{"fridge", "ack", "snooze"}},
		{"stalled", func(in *Input) { in.Estimate.LevelsOffShort, in.Estimate.CeilingPercent = true, 80 }, []string{"shaped", "ack", "snooze"}},
		{"a stalled proof", proving(func(in *Input) { in.Estimate.LevelsOffShort, in.Estimate.CeilingPercent = true, 40 }), []string{"ack", "snooze"}},
		{"not seen", func(in *Input) { in.Estimate.Quality = estimator.QualityGap }, []string{"ack", "snooze"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			tap := func(in *Input) {
				if c.change(in); in.Advice != nil {
					in.Advice.Tap = map[bake.AdviceKey]bake.EventKind{bake.AdviseFridge: bake.EventFridge, bake.AdviseShape: bake.EventShaped}[in.Advice.Key]
				}
			}
			s.run(40*time.Minute, 15*time.Second, tap)
			require.NotEmpty(t, s.saidA)
			m := NewManager(NewMemStore(), nil, Options{Address: func(verb, id string) string { return "http://kitchen.lan/" + verb + "/" + id }})
			msg := messageOf(s.saidA[0], WasRaised, Notification{}, true)
			var verbs []string
			for _, b := range m.links(msg).Buttons {
				verbs = append(verbs, b.Verb)
				assert.NotContains(t, b.Label, ".", "a label, not a key")
				assert.Equal(t, "http://kitchen.lan/"+b.Verb+"/"+s.saidA[0].ID, b.URL)
			}
			assert.Equal(t, c.want, verbs)
			msg.What = WasResolved
			assert.Empty(t, m.links(msg).Buttons, "there is nothing left to answer")
		})
	}
}

// flakyStore fails SaveAlarm a number of times.
type flakyStore struct {
	*MemStore
	failures int
}

func (f *flakyStore) SaveAlarm(ctx context.Context, a Alarm, l []Notification) error {
	if f.failures > 0 {
		f.failures--
		return errors.New("disk full")
	}
	return f.MemStore.SaveAlarm(ctx, a, l)
}

func TestAStoreThatFailsForAWhileLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &flakyStore{MemStore: NewMemStore(), failures: 2}
		routes := []Route{{Name: "phone", Channel: &fakeChannel{}}}
		manager := NewManager(store, routes, Options{})
		assert.ErrorContains(t, manager.Apply(t.Context(), []Change{raised(Near, "a"), raised(Over, "b")}), "disk full")
		assert.ErrorContains(t, manager.Round(t.Context()), "disk full")
		assert.NoError(t, manager.Round(t.Context()))
		open, err := manager.Alarms(t.Context())
		require.NoError(t, err)
		assert.Len(t, open, 2)
		assert.Len(t, store.Notifications(), 2)
	})
}

// TestUnattendedEvening plays an invented evening nobody is at home for, through
// rules and manager, and compares the timeline with its golden file.
func TestUnattendedEvening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now().Add(17 * time.Hour)
		time.Sleep(17 * time.Hour) // 17:00
		var mu sync.Mutex
		var lines []string
		note := func(channel string) *fakeChannel {
			ch := &fakeChannel{}
			ch.answer = func(m Message, _ int) error {
				mu.Lock()
				defer mu.Unlock()
				lines = append(lines, fmt.Sprintf("%s  %-6s p%d  %s | %s", time.Now().Format("15:04"), channel, m.Priority, m.Title,
					strings.ReplaceAll(m.Text, "\u00a0", " ")))
				return nil
			}
			return ch
		}
		k := newKit(NewMemStore(), Options{Quiet: Quiet{From: "22:30", Until: "06:30"}},
			Route{Name: "phone", Channel: note("phone")}, Route{Name: "post", Channel: note("post"), FromLevel: 2})
		defer k.stop()
		w := NewEvaluator(text.New(text.Locale{}), 0)
		in := Input{RiseID: 1, State: bake.State{Vessel: "tub", Holds: estimator.Dough, Lead: 30 * time.Minute, OverPercent: 125, ColdPercent: 143}, System: System{ClockSet: true, DiskFreeRatio: math.NaN()}}
		for time.Since(start) < 6*time.Hour {
			in.At = time.Now()
			in.Estimate = evening(start, in.At)
			require.NoError(t, k.manager.Apply(t.Context(), w.Evaluate(in)))
			time.Sleep(10 * time.Second)
			synctest.Wait()
		}
		sort.Strings(lines) // two channels in one minute come in any order
		golden(t, "evening.txt", strings.Join(lines, "\n")+"\n")
	})
}

// evening is an invented rise: at the mark at 18:30, over at 19:15, sinking
// from 21:30.
func evening(start, now time.Time) estimator.Estimate {
	ready := start.Add(90 * time.Minute)
	hours := now.Sub(ready).Hours()
	e := estimator.Estimate{
		Time: now, Started: start.Add(-3 * time.Hour), RisePercent: 100 + 22*hours, RiseSD: 1, DoughC: 25, AirC: 23, TargetPercent: 100,
		Even:             ready,
		Ready:            estimator.Window{From: ready.Add(-8 * time.Minute), Median: ready, Until: ready.Add(9 * time.Minute)},
		CarryOverPercent: 18, CeilingPercent: 160, CeilingLow: 140, ReachChance: 0.97, PeakPercent: math.Max(100+22*hours, 20), Phase: estimator.Rising,
		PhaseSince: start, Quality: estimator.QualityOK, LastSeen: now,
	}
	switch {
	case hours >= 3:
		e.RisePercent, e.PeakPercent, e.Phase, e.PhaseSince, e.ReadyIsPast = 158-8*(hours-3), 166, estimator.Fallen, ready.Add(3*time.Hour), true
	case hours >= 0.7:
		e.Phase, e.ReadyIsPast = estimator.Over, true
	case hours >= 0:
		e.Phase, e.ReadyIsPast = estimator.Ready, true
	}
	return e
}

// golden compares with a file, or rewrites it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
		return
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}
