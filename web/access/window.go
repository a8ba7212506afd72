package access

import (
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"strings"
	"sync"
	"time"
)

// ErrClosed tells that the time for setting up from the network is over.
var ErrClosed = errors.New("the time for setting up from the home network is over; tidemark setup opens it again")

// codeLetters are those of a code: no vowels, and none that looks like another.
const codeLetters = "BCDFGHJKLMNPQRSTVWXZ2456789"

// codeLength in letters: 27^8 codes are 38 bits. At one wrong guess in three seconds
// half an hour sees some 600 of them.
const codeLength = 8

// NewCode returns a fresh code for a Window.
func NewCode() string {
	var b strings.Builder
	for b.Len() < codeLength {
		var one [1]byte
		_, _ = rand.Read(one[:])                                         // never fails, see crypto/rand
		if i := int(one[0]); i < 256/len(codeLetters)*len(codeLetters) { // else some letters would come more often
			b.WriteByte(codeLetters[i%len(codeLetters)])
		}
	}
	return b.String()
}

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
	switch {
	case w.closed:
		return ErrClosed
	case !w.guesses.allows(from, now):
		return ErrTooMany
	}
	code = strings.Map(func(r rune) rune {
		if r == '-' || r == ' ' {
			return -1
		}
		return r
	}, strings.ToUpper(code))
	if subtle.ConstantTimeCompare([]byte(code), []byte(w.code)) != 1 {
		w.guesses.wrong(from, now)
		return ErrWrong
	}
	if err := use(); err != nil {
		return err
	}
	w.closed = true
	return nil
}
