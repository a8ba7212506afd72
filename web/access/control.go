package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"
)

// Control holds the doors. Make one with NewControl.
type Control struct {
	settings Settings
	now      func() time.Time
	guesses  *limiter // of the passphrase
	secrets  *limiter // of tokens

	mu       sync.Mutex
	sessions []session
	loadedAt time.Time // when sessions and tokens were last read
	tokens   []Token
	hasPass  bool

	checking sync.Mutex // one passphrase check at a time bounds its memory, and each counts before the next
}

// session is one unlocked browser.
type session struct {
	Hash string    `json:"hash"` // SHA-256 of the number in the cookie, hex
	Used time.Time `json:"used"`
}

// Token lets a program in without a browser.
type Token struct {
	Name    string    `json:"name"`
	Hash    string    `json:"hash"` // SHA-256 of the secret, hex
	Scopes  []Scope   `json:"scopes"`
	Created time.Time `json:"created"`
}

// Allows reports whether the token has a scope.
func (t Token) Allows(s Scope) bool { return slices.Contains(t.Scopes, s) }

// rereadEvery is how soon a change made by another process, such as tidemark
// passphrase, is noticed.
const rereadEvery = 5 * time.Second

// maxSessions bounds how many browsers stay unlocked; the longest unused goes.
const maxSessions = 100

// NewControl reads the state from the settings.
func NewControl(ctx context.Context, s Settings, now func() time.Time) (*Control, error) {
	k := &Control{settings: s, now: now, guesses: newLimiter(), secrets: newLimiter()}
	return k, k.reread(ctx, true)
}

// reread takes over what another process may have changed.
func (k *Control) reread(ctx context.Context, force bool) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if age := k.now().Sub(k.loadedAt); !force && age >= 0 && age < rereadEvery {
		return nil
	}
	has, err := HasPassphrase(ctx, k.settings)
	if err != nil {
		return err
	}
	if err := load(ctx, k.settings, keySessions, &k.sessions); err != nil {
		return err
	}
	if err := load(ctx, k.settings, keyTokens, &k.tokens); err != nil {
		return err
	}
	k.hasPass, k.loadedAt = has, k.now()
	return nil
}

// load reads a JSON value; none leaves the target empty.
func load[T any](ctx context.Context, s Settings, key string, into *[]T) error {
	v, err := get(ctx, s, key)
	if err != nil {
		return fmt.Errorf("access: reading %s: %w", key, err)
	}
	*into = nil
	if len(v) == 0 {
		return nil
	}
	if err := json.Unmarshal(v, into); err != nil {
		return fmt.Errorf("access: %s is damaged: %w; log in again or make new tokens", key, err)
	}
	return nil
}

func (k *Control) save(ctx context.Context, key string, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	if err := k.settings.Set(ctx, key, body); err != nil {
		return fmt.Errorf("access: keeping %s: %w", key, err)
	}
	return nil
}

// Locked reports whether a passphrase is set. When the settings cannot be read
// it keeps to what it last knew.
func (k *Control) Locked(ctx context.Context) bool {
	_ = k.reread(ctx, false) // the last known state stands
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.hasPass
}

// Unlock checks a passphrase and opens a session. from is the address of the
// asker: wrong guesses from there are slowed down. It fails with ErrTooMany,
// ErrNotSet or ErrWrong.
func (k *Control) Unlock(ctx context.Context, passphrase, from string) (string, error) {
	stored, err := get(ctx, k.settings, keyPassphrase)
	if err != nil {
		return "", fmt.Errorf("reading the passphrase: %w", err)
	}
	if len(stored) == 0 {
		return "", ErrNotSet
	}
	h, err := parseHash(string(stored))
	if err != nil {
		return "", err
	}
	if err := k.guess(h, passphrase, from); err != nil {
		return "", err
	}
	return k.open(ctx)
}

// guess checks one passphrase and counts it when it is wrong.
func (k *Control) guess(h hash, passphrase, from string) error {
	if !k.guesses.allows(from, k.now()) {
		return ErrTooMany // without waiting for those that are being checked
	}
	k.checking.Lock()
	defer k.checking.Unlock()
	if !k.guesses.allows(from, k.now()) {
		return ErrTooMany
	}
	if len(passphrase) > MaxPassphraseBytes || !h.matches(passphrase) {
		k.guesses.wrong(from, k.now())
		return ErrWrong
	}
	k.guesses.right(from, k.now())
	return nil
}

// SetPassphrase sets the passphrase, the first or a new one, ends every session and
// opens one for the asker. Where one is set, old must be it, and wrong ones are slowed
// down as in Unlock.
func (k *Control) SetPassphrase(ctx context.Context, old, fresh, from string) (string, error) {
	stored, err := get(ctx, k.settings, keyPassphrase)
	if err != nil {
		return "", fmt.Errorf("reading the passphrase: %w", err)
	}
	if len(stored) > 0 {
		h, err := parseHash(string(stored))
		if err != nil {
			return "", err
		}
		if err := k.guess(h, old, from); err != nil {
			return "", err
		}
	}
	if err := SetPassphrase(ctx, k.settings, fresh); err != nil {
		return "", err
	}
	if err := k.reread(ctx, true); err != nil {
		return "", err
	}
	return k.open(ctx)
}

// open makes a new session.
func (k *Control) open(ctx context.Context) (string, error) {
	id := secret()
	k.mu.Lock()
	defer k.mu.Unlock()
	k.sessions = append(k.sessions, session{Hash: digest(id), Used: k.now()})
	k.forgetOld()
	return id, k.save(ctx, keySessions, k.sessions)
}

// forgetOld drops sessions that were not used for SessionLife, and the oldest
// beyond maxSessions.
func (k *Control) forgetOld() {
	k.sessions = slices.DeleteFunc(k.sessions, func(s session) bool { return k.now().Sub(s.Used) > SessionLife })
	if n := len(k.sessions) - maxSessions; n > 0 {
		slices.SortStableFunc(k.sessions, func(a, b session) int { return a.Used.Compare(b.Used) })
		k.sessions = slices.Delete(k.sessions, 0, n)
	}
}

// Known reports whether a session is open, and notes its use once a day.
func (k *Control) Known(ctx context.Context, id string) bool {
	if id == "" {
		return false
	}
	_ = k.reread(ctx, false) // the last known state stands
	want := digest(id)
	k.mu.Lock()
	defer k.mu.Unlock()
	for i, s := range k.sessions {
		if s.Hash != want {
			continue
		}
		age := k.now().Sub(s.Used)
		if age > SessionLife {
			return false
		}
		if age > 24*time.Hour {
			k.sessions[i].Used = k.now()
			_ = k.save(ctx, keySessions, k.sessions) // tried again tomorrow
		}
		return true
	}
	return false
}

// Lock ends one session.
func (k *Control) Lock(ctx context.Context, id string) error {
	want := digest(id)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.sessions = slices.DeleteFunc(k.sessions, func(s session) bool { return s.Hash == want })
	return k.save(ctx, keySessions, k.sessions)
}

// LockAll ends every session.
func (k *Control) LockAll(ctx context.Context) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.sessions = nil
	return k.save(ctx, keySessions, []session{})
}

// secret is a fresh random number of 256 bits.
func secret() string {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails, see crypto/rand
	return base64.RawURLEncoding.EncodeToString(b)
}

func digest(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}
