package access

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// update is shared by all packages under web, so that one command rewrites all
// golden files; there are none here.
var _ = flag.Bool("update", false, "rewrite the golden files")

// clock is a clock set by hand.
type clock struct{ t time.Time }

func (c *clock) now() time.Time { return c.t }

func newControl(t *testing.T, s Settings) (*Control, *clock) {
	c := &clock{time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)}
	k, err := NewControl(context.Background(), s, c.now)
	require.NoError(t, err)
	return k, c
}

const phrase = "four plain kitchen words"

func TestPassphraseIsKeptAsAHash(t *testing.T) {
	s := NewMemory()
	require.NoError(t, SetPassphrase(context.Background(), s, phrase))
	stored := s.value(keyPassphrase)
	assert.NotContains(t, stored, "kitchen")
	assert.True(t, strings.HasPrefix(stored, "$argon2id$v=19$m=19456,t=2,p=1$"), stored)
	right, err := checker(stored)
	require.NoError(t, err)
	assert.True(t, right(phrase))
	assert.False(t, right(phrase+" "))
	require.NoError(t, SetPassphrase(context.Background(), s, phrase))
	assert.NotEqual(t, stored, s.value(keyPassphrase), "a fresh salt each time")
}

func TestPassphrasesThatAreRefused(t *testing.T) {
	s := NewMemory()
	assert.ErrorIs(t, SetPassphrase(context.Background(), s, "short"), ErrShort)
	assert.ErrorIs(t, SetPassphrase(context.Background(), s, strings.Repeat("x", 513)), ErrLong)
	assert.Empty(t, s.value(keyPassphrase))
	require.NoError(t, SetPassphrase(context.Background(), s, "äöüßéèêç"), "eight characters, sixteen bytes")
}

func TestDamagedHashesAreRefused(t *testing.T) {
	good := usual().hash(phrase, []byte(salt))
	for _, bad := range []string{"", "x", "$argon2i$v=19$m=1,t=1,p=1$AAAA$AAAA", strings.Replace(good, "v=19", "v=16", 1),
		strings.Replace(good, "m=19456", "m=99999999", 1), strings.Replace(good, "t=2", "t=0", 1), strings.Replace(good, "p=1", "p=x", 1),
		good[:len(good)-30], good + "$", strings.Replace(good, "$m", "$m=1$m", 1)} {
		_, err := checker(bad)
		assert.ErrorContains(t, err, "set it again with tidemark passphrase", bad)
	}
}

func FuzzChecker(f *testing.F) {
	f.Add(usual().hash(phrase, []byte(salt)))
	f.Add("$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$a2V5a2V5a2V5a2V5a2V5")
	f.Fuzz(func(t *testing.T, s string) {
		if _, err := checker(s); err == nil && !regexp.MustCompile(`^\$argon2id\$v=19\$m=\+?\d{1,6},t=\+?\d{1,2},p=\+?\d{1,2}\$`).MatchString(s) {
			t.Fatalf("%q was let in", s)
		}
	})
}

func TestUnlockAndLock(t *testing.T) {
	ctx := context.Background()
	s := NewMemory()
	k, c := newControl(t, s)
	assert.False(t, k.Locked(ctx))
	_, err := k.Unlock(ctx, phrase, "a")
	assert.ErrorIs(t, err, ErrNotSet)
	require.NoError(t, SetPassphrase(ctx, s, phrase))
	c.t = c.t.Add(rereadEvery)
	assert.True(t, k.Locked(ctx), "a passphrase set by another process is noticed")
	_, err = k.Unlock(ctx, "wrong", "a")
	assert.ErrorIs(t, err, ErrWrong)
	one, err := k.Unlock(ctx, phrase, "a")
	require.NoError(t, err)
	two, err := k.Unlock(ctx, phrase, "a")
	require.NoError(t, err)
	assert.NotEqual(t, one, two)
	assert.True(t, k.Known(ctx, one))
	assert.False(t, k.Known(ctx, ""))
	assert.False(t, k.Known(ctx, one+"x"))
	assert.NotContains(t, s.value(keySessions), one, "only a digest is kept")
	require.NoError(t, k.Lock(ctx, one))
	assert.False(t, k.Known(ctx, one))
	assert.True(t, k.Known(ctx, two))
	require.NoError(t, k.LockAll(ctx))
	assert.False(t, k.Known(ctx, two))
}

func TestSessionsSurviveARestartAndEndWithAge(t *testing.T) {
	ctx := context.Background()
	s := NewMemory()
	require.NoError(t, SetPassphrase(ctx, s, phrase))
	k, _ := newControl(t, s)
	id, err := k.Unlock(ctx, phrase, "a")
	require.NoError(t, err)
	k, c := newControl(t, s)
	assert.True(t, k.Known(ctx, id))
	c.t = c.t.Add(SessionLife - time.Hour)
	assert.True(t, k.Known(ctx, id), "used shortly before its end")
	c.t = c.t.Add(SessionLife - time.Hour)
	assert.True(t, k.Known(ctx, id), "the use before gave it new life")
	c.t = c.t.Add(SessionLife + time.Hour)
	assert.False(t, k.Known(ctx, id))
	require.NoError(t, SetPassphrase(ctx, s, phrase+"!"))
	c.t = c.t.Add(time.Minute)
	assert.False(t, k.Known(ctx, id), "a new passphrase ends all sessions")
}

// salt is that of the tests.
const salt = "a salt of a test"

// cheap is the hash of phrase at a cost that lets a test guess often.
func cheap() []byte {
	return []byte(cost{memoryKiB: 8, passes: 1, lanes: 1}.hash(phrase, []byte(salt)))
}

// value is a value as it is kept; empty for none.
func (m *Memory) value(key string) string {
	v, _ := m.Get(context.Background(), key)
	return string(v)
}

// guesser tries wrong passphrases from an address and returns how many were looked at.
func guesser(k *Control, from string, n int) (looked int) {
	for range n {
		if _, err := k.Unlock(context.Background(), "wrong wrong", from); errors.Is(err, ErrWrong) {
			looked++
		}
	}
	return looked
}

func TestWrongGuessesAreSlowedDown(t *testing.T) {
	s := NewMemory()
	require.NoError(t, s.Set(t.Context(), keyPassphrase, cheap()))
	k, c := newControl(t, s)
	assert.Equal(t, 5, guesser(k, "10.0.0.1", 50))
	assert.Equal(t, 5, guesser(k, "10.0.0.2", 50), "another address is not locked out")
	c.t = c.t.Add(30 * time.Second)
	assert.Equal(t, 1, guesser(k, "10.0.0.1", 50))
	looked := 0
	for i := range 2000 {
		looked += guesser(k, fmt.Sprintf("10.1.%d.%d", i/250, i%250), 1)
	}
	assert.LessOrEqual(t, looked, 20, "many addresses that never guessed right share one limit")
	assert.LessOrEqual(t, len(k.guesses.by), maxAddresses, "memory is bounded")
}

// TestOneGuesserDoesNotLockTheHouse guesses on and on for an hour from one address
// while the household logs in from others.
func TestOneGuesserDoesNotLockTheHouse(t *testing.T) {
	s := NewMemory()
	require.NoError(t, s.Set(t.Context(), keyPassphrase, cheap()))
	k, c := newControl(t, s)
	looked := 0
	for i := range 1200 {
		looked += guesser(k, "10.0.0.66", 1)
		if i%60 == 0 {
			_, err := k.Unlock(t.Context(), phrase, fmt.Sprintf("10.0.0.%d", 1+i/60%5))
			require.NoError(t, err, "after %d guesses", i)
		}
		c.t = c.t.Add(3 * time.Second)
	}
	assert.InDelta(t, 125, looked, 1, "five and then two a minute")
}

// TestRightLoginsDoNotCount: a household may log in as often as it likes, and one
// who mistyped before the right words begins afresh.
func TestRightLoginsDoNotCount(t *testing.T) {
	s := NewMemory()
	require.NoError(t, s.Set(t.Context(), keyPassphrase, cheap()))
	k, _ := newControl(t, s)
	for i := range 60 {
		_, err := k.Unlock(t.Context(), phrase, "10.0.0.1")
		require.NoError(t, err, "login %d", i)
	}
	assert.Equal(t, 4, guesser(k, "10.0.0.1", 4))
	_, err := k.Unlock(t.Context(), phrase, "10.0.0.1")
	require.NoError(t, err)
	assert.Equal(t, 5, guesser(k, "10.0.0.1", 50))
}

// TestManyGuessersDoNotLockOutWhoIsKnown: when many addresses guess, those that
// guessed right before still may.
func TestManyGuessersDoNotLockOutWhoIsKnown(t *testing.T) {
	s := NewMemory()
	require.NoError(t, s.Set(t.Context(), keyPassphrase, cheap()))
	k, _ := newControl(t, s)
	_, err := k.Unlock(t.Context(), phrase, "10.0.0.1")
	require.NoError(t, err)
	for i := range 100 {
		guesser(k, fmt.Sprintf("10.1.0.%d", i), 1)
	}
	_, err = k.Unlock(t.Context(), phrase, "10.0.0.2")
	require.ErrorIs(t, err, ErrTooMany)
	_, err = k.Unlock(t.Context(), phrase, "10.0.0.1")
	require.NoError(t, err)
}

// TestGuessesAtOnceAreCountedEach: guesses that come together are not more than
// those that come one by one.
func TestGuessesAtOnceAreCountedEach(t *testing.T) {
	s := NewMemory()
	require.NoError(t, s.Set(t.Context(), keyPassphrase, cheap()))
	k, _ := newControl(t, s)
	var all sync.WaitGroup
	var looked atomic.Int64
	for range 30 {
		all.Go(func() { looked.Add(int64(guesser(k, "10.0.0.1", 1))) })
	}
	all.Wait()
	assert.EqualValues(t, 5, looked.Load())
}

// TestWrongTokensLeaveThePassphraseAlone: a display with an old token does not
// keep its household from logging in, nor the other way round.
func TestWrongTokensLeaveThePassphraseAlone(t *testing.T) {
	s := NewMemory()
	require.NoError(t, s.Set(t.Context(), keyPassphrase, cheap()))
	k, _ := newControl(t, s)
	for i := range 50 {
		_, err := k.Bearer(t.Context(), "Bearer tmk_old", "10.0.0.1")
		require.Error(t, err)
		assert.Equal(t, i >= 5, errors.Is(err, ErrTooMany), "attempt %d", i)
	}
	_, err := k.Unlock(t.Context(), phrase, "10.0.0.1")
	require.NoError(t, err)
	assert.Equal(t, 5, guesser(k, "10.0.0.2", 50))
	_, err = k.Bearer(t.Context(), "Bearer tmk_old", "10.0.0.2")
	assert.NotErrorIs(t, err, ErrTooMany)
}

func TestTokens(t *testing.T) {
	ctx := context.Background()
	s := NewMemory()
	k, _ := newControl(t, s)
	plain, err := k.NewToken(ctx, "shelf display", []Scope{Read})
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(plain, "tmk_"))
	assert.NotContains(t, s.value(keyTokens), plain)
	tok, err := k.Bearer(ctx, "bearer "+plain, "a")
	require.NoError(t, err)
	assert.True(t, tok.Allows(Read))
	assert.False(t, tok.Allows(Change))
	for _, header := range []string{"Basic x", "Bearer", "Bearer tmk_wrong"} {
		_, err = k.Bearer(ctx, header, "b")
		assert.Error(t, err, header)
	}
	for range 10 {
		_, err = k.Bearer(ctx, "Bearer tmk_guess", "b")
	}
	assert.ErrorIs(t, err, ErrTooMany)
	_, err = k.Bearer(ctx, "Bearer "+plain, "b")
	assert.NoError(t, err, "the right token is not locked out")
	_, err = k.NewToken(ctx, "shelf display", []Scope{Read})
	assert.ErrorContains(t, err, "already")
	_, err = k.NewToken(ctx, "x/y", []Scope{Read})
	assert.ErrorContains(t, err, "cannot be a token's name")
	_, err = k.NewToken(ctx, "x", nil)
	assert.ErrorContains(t, err, "would allow nothing")
	_, err = k.NewToken(ctx, "x", []Scope{"root"})
	assert.ErrorIs(t, err, ErrNoScope)
	require.NoError(t, k.RemoveToken(ctx, "shelf display"))
	assert.ErrorContains(t, k.RemoveToken(ctx, "shelf display"), "no token of that name")
	_, err = k.Bearer(ctx, "Bearer "+plain, "c")
	assert.ErrorContains(t, err, "not known")
}

// failing are settings that cannot be read once err is set.
type failing struct {
	*Memory
	err error
}

func (f *failing) Get(ctx context.Context, key string) ([]byte, error) {
	if f.err != nil {
		return nil, f.err
	}
	return f.Memory.Get(ctx, key)
}

// TestAFaultKeepsTheDoorAsItWas: when the settings cannot be read, a locked
// house stays locked and open sessions stay open.
func TestAFaultKeepsTheDoorAsItWas(t *testing.T) {
	ctx := context.Background()
	s := &failing{Memory: NewMemory()}
	require.NoError(t, SetPassphrase(ctx, s, phrase))
	k, c := newControl(t, s)
	id, err := k.Unlock(ctx, phrase, "a")
	require.NoError(t, err)
	s.err = errors.New("disk gone")
	c.t = c.t.Add(time.Hour)
	assert.True(t, k.Locked(ctx))
	assert.True(t, k.Known(ctx, id))
	_, err = NewControl(ctx, s, c.now)
	assert.ErrorContains(t, err, "disk gone")
}

func TestDamagedListsAreTold(t *testing.T) {
	s := NewMemory()
	require.NoError(t, s.Set(t.Context(), keyTokens, []byte("{")))
	_, err := NewControl(context.Background(), s, time.Now)
	assert.ErrorContains(t, err, "is damaged")
}

func BenchmarkCheck(b *testing.B) {
	right, err := checker(usual().hash(phrase, []byte(salt)))
	require.NoError(b, err)
	for b.Loop() {
		right(phrase)
	}
}
