// Package access decides who may read and who may change: the household
// passphrase, sessions of browsers, and tokens of programs.
//
// The passphrase is kept as an argon2id hash (RFC 9106) in the PHC string form.
// Sessions and tokens are random numbers of 256 bits of which only the SHA-256
// is kept. Wrong guesses are slowed down by address; right ones never count.
//
// Invariants: nothing secret is ever logged or put into an error. A household
// without a passphrase is open only to this machine itself. All methods of
// Control may be called from many goroutines.
//
// It does not encrypt the link: that is TLS, here or at a proxy.
package access

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"tidemark/history"
)

// Settings keeps small values by key. Get fails with history.ErrNotFound for a
// key that was never set; history.Settings is one.
type Settings interface {
	Get(ctx context.Context, key string) ([]byte, error)
	Set(ctx context.Context, key string, value []byte) error
}

// get reads a value; one that was never set is nil.
func get(ctx context.Context, s Settings, key string) ([]byte, error) {
	v, err := s.Get(ctx, key)
	if errors.Is(err, history.ErrNotFound) {
		return nil, nil
	}
	return v, err
}

// Memory keeps Settings until the process ends. The zero Memory is empty.
type Memory struct{ values sync.Map }

// NewMemory returns settings without an entry.
func NewMemory() *Memory { return &Memory{} }

// Get returns a value, or history.ErrNotFound.
func (m *Memory) Get(_ context.Context, key string) ([]byte, error) {
	v, ok := m.values.Load(key)
	if !ok {
		return nil, fmt.Errorf("%w: setting %q", history.ErrNotFound, key)
	}
	return v.([]byte), nil
}

// Set keeps a value.
func (m *Memory) Set(_ context.Context, key string, value []byte) error {
	m.values.Store(key, value)
	return nil
}

// The keys used in Settings.
const (
	keyPassphrase = "access.passphrase"
	keySessions   = "access.sessions"
	keyTokens     = "access.tokens"
)

// Scope is what a token may do.
type Scope string

// The scopes.
const (
	Read   Scope = "read"   // see vessels and past rises
	Change Scope = "act"    // fold, start, note, everything a person may do
	Backup Scope = "backup" // fetch the whole database
)

// scopes lists them all.
func scopes() []Scope { return []Scope{Read, Change, Backup} }

// SessionLife is how long a browser stays unlocked without being used.
const SessionLife = 60 * 24 * time.Hour

// The errors a caller may want to tell apart.
var (
	ErrWrong   = errors.New("that is not the household passphrase")
	ErrTooMany = errors.New("too many attempts; wait a little and try again")
	ErrNotSet  = errors.New("no passphrase is set yet; set one with tidemark passphrase")
	ErrClosed  = errors.New("the time for setting up from the home network is over; tidemark setup opens it again")

	ErrShort      = fmt.Errorf("the passphrase is too short; use at least %d characters, for instance four words", MinPassphrase)
	ErrLong       = fmt.Errorf("the passphrase is too long; use at most %d bytes", MaxPassphraseBytes)
	ErrTokenName  = errors.New("that cannot be a token's name; use 1 to 40 letters, digits, spaces, dots, - or _")
	ErrNoScope    = fmt.Errorf("the token would allow nothing that is known; give at least one of %v", scopes())
	ErrTokenTaken = errors.New("there is a token of that name already; take it back first or choose another name")
	ErrNoToken    = errors.New("there is no token of that name")
)
