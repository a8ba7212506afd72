package access

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// The limits on wrong guesses: by address five at once and then one in 30 s; of
// all addresses together that never guessed right twenty at once and then one in
// 3 s, for one guesser may have many addresses.
const (
	perAddressBurst = 5
	perAddressEvery = 30 * time.Second
	strangersBurst  = 20
	strangersEvery  = 3 * time.Second
	maxAddresses    = 1000
)

// limiter slows down those who guess. Only wrong guesses count.
type limiter struct {
	mu        sync.Mutex
	strangers *rate.Limiter
	by        map[string]*rate.Limiter
	known     map[string]time.Time // addresses that guessed right, and when last
}

func newLimiter() *limiter {
	return &limiter{strangers: rate.NewLimiter(rate.Every(strangersEvery), strangersBurst), by: map[string]*rate.Limiter{}, known: map[string]time.Time{}}
}

// allows reports whether an address may guess now.
func (l *limiter) allows(from string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if a := l.by[from]; a != nil && a.TokensAt(now) < 1 {
		return false
	}
	return !l.known[from].IsZero() || l.strangers.TokensAt(now) >= 1
}

// wrong counts a wrong guess.
func (l *limiter) wrong(from string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	a := l.by[from]
	if a == nil {
		l.makeRoom(now)
		a = rate.NewLimiter(rate.Every(perAddressEvery), perAddressBurst)
		l.by[from] = a
	}
	a.AllowN(now, 1)
	if l.known[from].IsZero() {
		l.strangers.AllowN(now, 1)
	}
}

// right forgets the wrong guesses of an address and knows it from now on.
func (l *limiter) right(from string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.by, from)
	if l.known[from].IsZero() && len(l.known) >= maxAddresses {
		oldest := ""
		for k, t := range l.known {
			if oldest == "" || t.Before(l.known[oldest]) {
				oldest = k
			}
		}
		delete(l.known, oldest)
	}
	l.known[from] = now
}

// makeRoom forgets addresses whose guesses are all forgiven; if that frees
// nothing, it forgets them all: the limit of all together still holds.
func (l *limiter) makeRoom(now time.Time) {
	if len(l.by) < maxAddresses {
		return
	}
	for k, a := range l.by {
		if a.TokensAt(now) >= perAddressBurst {
			delete(l.by, k)
		}
	}
	if len(l.by) >= maxAddresses {
		clear(l.by)
	}
}
