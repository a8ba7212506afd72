package access

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// The limits on attempts: per address five at once and then one in 30 s, in
// all twenty at once and then one in 3 s.
const (
	perAddressBurst = 5
	perAddressEvery = 30 * time.Second
	inAllBurst      = 20
	inAllEvery      = 3 * time.Second
	maxAddresses    = 1000
)

// limiter counts attempts by address.
type limiter struct {
	mu    sync.Mutex
	inAll *rate.Limiter
	by    map[string]*rate.Limiter
}

func newLimiter() *limiter {
	return &limiter{inAll: rate.NewLimiter(rate.Every(inAllEvery), inAllBurst), by: map[string]*rate.Limiter{}}
}

// allow takes one attempt if there is one left.
func (l *limiter) allow(from string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	a, ok := l.by[from]
	if !ok {
		l.makeRoom(now)
		a = rate.NewLimiter(rate.Every(perAddressEvery), perAddressBurst)
		l.by[from] = a
	}
	return a.AllowN(now, 1) && l.inAll.AllowN(now, 1)
}

// makeRoom forgets addresses whose attempts are all restored; if that frees
// nothing, it forgets them all: the limit in all still holds.
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
