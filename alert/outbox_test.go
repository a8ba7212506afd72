package alert

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// fakeChannel answers by a script and remembers what it took.
type fakeChannel struct {
	mu     sync.Mutex
	answer func(m Message, attempt int) error // nil: takes everything
	hang   bool
	down   atomic.Bool // there is no network
	tries  map[string]int
	took   []Message
	at     []time.Time
}

func (f *fakeChannel) Deliver(ctx context.Context, m Message) (string, error) {
	f.mu.Lock()
	if f.tries == nil {
		f.tries = map[string]int{}
	}
	f.tries[m.ID]++
	attempt, hang := f.tries[m.ID], f.hang
	answer := f.answer
	f.mu.Unlock()
	switch {
	case hang:
		<-ctx.Done()
		return "", ctx.Err()
	case f.down.Load():
		return "", errors.New("no route to host")
	}
	if answer != nil {
		if err := answer(m, attempt); err != nil {
			return "", err
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.took = append(f.took, m)
	f.at = append(f.at, time.Now())
	return "200 taken", nil
}

func (f *fakeChannel) Close() error { return nil }

// titles are what was taken, in order.
func (f *fakeChannel) titles() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := []string{}
	for _, m := range f.took {
		out = append(out, m.Title)
	}
	return out
}

// kit is a manager at work on a store in memory, by a clock that runs with the test's
// and can be set; to be used in a bubble.
type kit struct {
	store   *MemStore
	manager *Manager
	off     atomic.Int64 // of the clock
	stop    func()
}

// Now is the kit's clock.
func (k *kit) Now() time.Time { return time.Now().Add(time.Duration(k.off.Load())) }

// onPhone runs a test with a kit that tells one phone.
func onPhone(t *testing.T, do func(t *testing.T, ch *fakeChannel, k *kit)) {
	synctest.Test(t, func(t *testing.T) {
		ch := &fakeChannel{}
		k := newKit(NewMemStore(), Options{}, Route{Name: "phone", Channel: ch})
		defer k.stop()
		do(t, ch, k)
	})
}

// newKit starts a manager; stop it before the bubble ends.
func newKit(store *MemStore, opts Options, routes ...Route) *kit {
	k := &kit{store: store}
	opts.Now = k.Now
	k.manager = NewManager(store, routes, opts)
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { k.manager.Run(ctx) })
	k.stop = func() { cancel(); done.Wait() }
	return k
}

// raise applies an alarm that is raised now, by the kit's clock.
func (k *kit) raise(t *testing.T, kind Kind, id string) {
	t.Helper()
	c := raised(kind, id)
	c.Alarm.Since, c.Alarm.FiredAt = k.Now(), k.Now()
	require.NoError(t, k.manager.Apply(t.Context(), []Change{c}))
}

// raised builds a change that raises an alarm now.
func raised(kind Kind, id string) Change {
	return Change{What: WasRaised, ClockSet: true, Alarm: Alarm{ID: id, Kind: kind, Vessel: "tub", RiseID: 1, State: Firing,
		Since: time.Now(), FiredAt: time.Now(), Title: id, Text: "Text of " + id + ".", Priority: policyOf(kind).priority}}
}

// states lists the notifications as "id state".
func states(s *MemStore) []string {
	var out []string
	for _, l := range s.Notifications() {
		out = append(out, l.ID+" "+l.State)
	}
	return out
}

func TestANotificationIsDeliveredAtOnce(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "near-tub-1")}))
		synctest.Wait()
		require.Equal(t, []string{"near-tub-1"}, ch.titles())
		assert.Equal(t, "near-tub-1/phone/0", ch.took[0].ID)
		l := k.store.Notifications()[0]
		assert.Equal(t, Sent, l.State)
		assert.Equal(t, "200 taken", l.Answer)
		assert.Equal(t, 1, l.Attempts)
	})
}

func TestRetriesWithBackoffAndLateStamp(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		start := time.Now()
		ch.answer = func(Message, int) error {
			if time.Since(start) < 40*time.Minute {
				return errors.New("no route to host")
			}
			return nil
		}
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
		time.Sleep(39 * time.Minute)
		synctest.Wait()
		l := k.store.Notifications()[0]
		assert.Equal(t, Waiting, l.State)
		assert.Equal(t, "no route to host", l.Answer)
		assert.InDelta(t, 14, l.Attempts, 4, "5, 10, 20, 40, 80, 160 s, then every 5 minutes, with jitter")
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		require.Len(t, ch.took, 1)
		assert.Regexp(t, `^This message is 4\d min late\. Text of n\.$`, ch.took[0].Text)
	})
}

func TestRetryAfterIsHonoured(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		start := time.Now()
		ch.answer = func(_ Message, attempt int) error {
			if attempt == 1 {
				return &Failure{Answer: "429 slow down", RetryAfter: 7 * time.Minute}
			}
			return nil
		}
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
		time.Sleep(time.Hour)
		synctest.Wait()
		require.Len(t, ch.at, 1)
		assert.InDelta(t, 7, ch.at[0].Sub(start).Minutes(), 0.2)
	})
}

func TestAFinalRefusalIsNotRepeatedAndHandedOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &fakeChannel{answer: func(Message, int) error { return finalf("403 this token may not publish") }}
		mail := &fakeChannel{}
		k := newKit(NewMemStore(), Options{}, Route{Name: "phone", Channel: phone}, Route{Name: "post", Channel: mail, FromLevel: 2})
		defer k.stop()
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Equal(t, 1, phone.tries["n/phone/0"])
		l := k.store.Notifications()[0]
		assert.Equal(t, Failed, l.State)
		assert.Equal(t, "403 this token may not publish", l.Answer)
		assert.Equal(t, []string{"n"}, mail.titles(), "the channel meant for later is used at once")
	})
}

func TestOrderIsKeptWhileTheNetworkIsDown(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		ch.down.Store(true)
		var want []string
		for i := range 6 {
			id := fmt.Sprintf("step%d", i)
			want = append(want, id)
			require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(LevelsOff, id)}))
			time.Sleep(time.Minute)
		}
		ch.down.Store(false)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		assert.Equal(t, want, ch.titles())
	})
}

func TestAHangingChannelDoesNotHoldUpTheOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow, quick := &fakeChannel{hang: true}, &fakeChannel{}
		k := newKit(NewMemStore(), Options{}, Route{Name: "slow", Channel: slow}, Route{Name: "quick", Channel: quick})
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
		time.Sleep(time.Second)
		synctest.Wait()
		assert.Equal(t, []string{"n"}, quick.titles())
		time.Sleep(time.Minute)
		synctest.Wait()
		for _, l := range k.store.Notifications() {
			if l.Channel == "slow" {
				assert.Equal(t, "no answer within 30s", l.Answer)
				assert.Equal(t, Waiting, l.State)
			}
		}
		before := time.Now()
		k.stop()
		assert.Zero(t, time.Since(before), "stopping does not wait for the hanging channel")
	})
}

func TestExpiry(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		ch.down.Store(true)
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
		time.Sleep(3 * time.Hour)
		synctest.Wait()
		l := k.store.Notifications()[0]
		assert.Equal(t, Expired, l.State)
		assert.Equal(t, "too old to be of use; the last answer was: no route to host", l.Answer)
		unset := raised(Near, "m")
		unset.ClockSet = false
		require.NoError(t, k.manager.Apply(t.Context(), []Change{unset}))
		time.Sleep(3 * time.Hour)
		synctest.Wait()
		assert.Equal(t, Waiting, k.store.Notifications()[1].State, "with a clock that may jump nothing expires")
	})
}

func TestANotificationOfARemovedChannelFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := NewMemStore()
		require.NoError(t, store.SaveAlarm(t.Context(), Alarm{ID: "x"}, []Notification{{ID: "x/old/0", AlarmID: "x", Channel: "old", State: Waiting, CreatedAt: time.Now()}}))
		k := newKit(store, Options{})
		time.Sleep(10 * time.Second)
		synctest.Wait()
		k.stop()
		assert.Equal(t, `channel "old" is not in the configuration any more`, store.Notifications()[0].Answer)
	})
}

func TestAckWithdrawsEvenANotificationUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		ch := &fakeChannel{answer: func(Message, int) error { <-release; return errors.New("reset") }}
		k := newKit(NewMemStore(), Options{}, Route{Name: "phone", Channel: ch})
		defer k.stop()
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Over, "o")}))
		synctest.Wait() // the attempt is under way
		_, err := k.manager.Ack(t.Context(), "o", "page")
		require.NoError(t, err)
		close(release)
		time.Sleep(3 * time.Hour)
		synctest.Wait()
		assert.Equal(t, []string{"o/phone/0 withdrawn"}, states(k.store))
		assert.Equal(t, 1, ch.tries["o/phone/0"], "not tried again after the answer")
	})
}

// The command line answers in a process of its own, past the Manager.
func TestAckByAnotherProcessWithdrawsANotificationUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		ch := &fakeChannel{answer: func(Message, int) error { <-release; return errors.New("reset") }}
		k := newKit(NewMemStore(), Options{}, Route{Name: "phone", Channel: ch})
		defer k.stop()
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Over, "o")}))
		synctest.Wait()
		_, err := NewManager(k.store, nil, Options{}).Ack(t.Context(), "o", "command line")
		require.NoError(t, err)
		close(release)
		time.Sleep(3 * time.Hour)
		synctest.Wait()
		assert.Equal(t, 1, ch.tries["o/phone/0"])
	})
}

func TestAStoppedAttemptIsTriedAgainWithTheSameID(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := NewMemStore()
		k := newKit(store, Options{}, Route{Name: "phone", Channel: &fakeChannel{hang: true}})
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Over, "o")}))
		synctest.Wait()
		k.stop()
		assert.Equal(t, []string{"o/phone/0 waiting"}, states(store))
		ch := &fakeChannel{}
		again := newKit(store, Options{}, Route{Name: "phone", Channel: ch})
		synctest.Wait()
		again.stop()
		require.Len(t, ch.took, 1)
		assert.Equal(t, "o/phone/0", ch.took[0].ID)
	})
}

func TestAPanicInAChannelIsAFinalFailure(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		ch.answer = func(Message, int) error { panic("nil map") }
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
		synctest.Wait()
		assert.Equal(t, "the channel failed inside: nil map", k.store.Notifications()[0].Answer)
	})
}

func TestPictureIsLeftOutAfterSomeFailuresOrWhenTooLarge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ch := &fakeChannel{answer: func(m Message, _ int) error {
			if m.Picture != nil {
				return &Failure{Answer: "500 no room for attachments"}
			}
			return nil
		}}
		store, size := NewMemStore(), 1000
		routes := []Route{{Name: "phone", Channel: ch, Pictures: true}}
		manager := NewManager(store, routes, Options{Picture: func(context.Context, string, int64) ([]byte, error) { return make([]byte, size), nil }})
		ctx, cancel := context.WithCancel(t.Context())
		go manager.Run(ctx)
		require.NoError(t, manager.Apply(ctx, []Change{raised(Near, "n")}))
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		assert.Equal(t, []string{"n"}, ch.titles())
		assert.Equal(t, 4, ch.tries["n/phone/0"])
		size = maxPicture + 1
		require.NoError(t, manager.Apply(ctx, []Change{raised(LevelsOff, "l")}))
		synctest.Wait()
		assert.Equal(t, 1, ch.tries["l/phone/0"])
		cancel()
		synctest.Wait()
	})
}

func TestTestMessage(t *testing.T) {
	ch := &fakeChannel{}
	out := NewManager(NewMemStore(), []Route{{Name: "phone", Channel: ch}}, Options{})
	answer, err := out.Test(t.Context(), "phone")
	require.NoError(t, err)
	assert.Equal(t, "200 taken", answer)
	assert.Equal(t, testKind, ch.took[0].Kind)
	assert.True(t, strings.HasPrefix(ch.took[0].Text, "This is a test from tidemark through the channel phone"))
	_, err = out.Test(t.Context(), "pigeon")
	assert.EqualError(t, err, `there is no channel "pigeon"; it must be listed under channels in the configuration`)
}

func TestTheManagerSaysHowItDoes(t *testing.T) {
	onPhone(t, func(t *testing.T, ch *fakeChannel, k *kit) {
		ch.down.Store(true)
		require.NoError(t, k.manager.Apply(t.Context(), []Change{raised(Near, "n")}))
		time.Sleep(20 * time.Minute)
		synctest.Wait()
		assert.Less(t, time.Since(k.manager.Beat()), time.Minute)
		_, failing := k.manager.Deliveries()
		assert.Equal(t, []string{"phone"}, failing)
	})
}

// TestRoundBeginsWhatIsDue goes round once without Run.
func TestRoundBeginsWhatIsDue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ch := &fakeChannel{hang: true}
		routes := []Route{{Name: "phone", Channel: ch}}
		manager := NewManager(NewMemStore(), routes, Options{})
		underWay := func() int { n, _ := manager.Deliveries(); return n }
		require.NoError(t, manager.Round(t.Context()))
		assert.Zero(t, underWay(), "nothing is due")
		require.NoError(t, manager.Apply(t.Context(), []Change{raised(TooCold, "cold")}))
		require.NoError(t, manager.Round(t.Context()))
		require.NoError(t, manager.Round(t.Context()))
		synctest.Wait()
		assert.Equal(t, 1, underWay())
		time.Sleep(attemptMost + time.Second)
		synctest.Wait()
		assert.Zero(t, underWay(), "no answer came in time")
		ch.mu.Lock()
		ch.hang = false
		ch.mu.Unlock()
		time.Sleep(backoffMost)
		require.NoError(t, manager.Round(t.Context()))
		synctest.Wait()
		assert.Equal(t, []string{"cold"}, ch.titles())
	})
}
