package access

import (
	"crypto/rand"
	"crypto/subtle"
	"strings"
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
	by        map[string]address
}

// address is from where somebody guesses.
type address struct {
	wrong *rate.Limiter
	known bool // it guessed right
}

func newLimiter() *limiter {
	return &limiter{strangers: rate.NewLimiter(rate.Every(strangersEvery), strangersBurst), by: map[string]address{}}
}

// try takes a guess from an address and fails with ErrTooMany or ErrWrong. One at a time
// is looked at, which bounds the memory it takes and lets each count before the next.
func (l *limiter) try(from string, now time.Time, right func() bool) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	a, ok := l.by[from]
	if !ok {
		a.wrong = rate.NewLimiter(rate.Every(perAddressEvery), perAddressBurst)
	}
	if a.wrong.TokensAt(now) < 1 || !a.known && l.strangers.TokensAt(now) < 1 {
		return ErrTooMany
	}
	if !ok {
		l.makeRoom(now)
	}
	if right() {
		l.by[from] = address{rate.NewLimiter(rate.Every(perAddressEvery), perAddressBurst), true}
		return nil
	}
	a.wrong.AllowN(now, 1)
	if !a.known {
		l.strangers.AllowN(now, 1)
	}
	l.by[from] = a
	return ErrWrong
}

// makeRoom forgets addresses that are not known and whose guesses are all forgiven; if
// that frees nothing, it forgets them all: the limit of all together still holds.
func (l *limiter) makeRoom(now time.Time) {
	if len(l.by) < maxAddresses {
		return
	}
	for k, a := range l.by {
		if !a.known && a.wrong.TokensAt(now) >= perAddressBurst {
			delete(l.by, k)
		}
	}
	if len(l.by) >= maxAddresses {
		clear(l.by)
	}
}

// NewCode returns a fresh code for a Window: 8 letters and digits of base32 (RFC 4648), of
// which none looks like another, are 40 bits. At one wrong guess in three seconds half an
// hour sees some 600 of them.
func NewCode() string { return rand.Text()[:8] }

// Window is the time in which somebody on the home network, who has the code from the
// machine itself, may set the household's first passphrase. It opens once; who closes
// it, and when, is the caller's: it knows no clock of its own.
type Window struct {
	code    string
	guesses *limiter
	mu      sync.Mutex
	closed  bool
}

// NewWindow returns an open window with a code from NewCode.
func NewWindow(code string) *Window { return &Window{code: code, guesses: newLimiter()} }

// Code is what to type, with a dash to read it by.
func (w *Window) Code() string { return w.code[:len(w.code)/2] + "-" + w.code[len(w.code)/2:] }

// Open reports whether the time is not over. A nil window is closed.
func (w *Window) Open() bool {
	if w == nil {
		return false
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return !w.closed
}

// Close ends the time for good.
func (w *Window) Close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.closed = true
}

// Enter calls use when the code is right and closes the window when use succeeds: one
// at a time, so that only one gets in. from is the address of the asker, whose wrong
// codes are slowed down. It fails with ErrClosed, ErrTooMany, ErrWrong or what use says.
func (w *Window) Enter(code, from string, now time.Time, use func() error) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return ErrClosed
	}
	code = strings.NewReplacer("-", "", " ", "").Replace(strings.ToUpper(code))
	err := w.guesses.try(from, now, func() bool { return subtle.ConstantTimeCompare([]byte(code), []byte(w.code)) == 1 })
	if err == nil {
		err = use()
		w.closed = err == nil
	}
	return err
}
