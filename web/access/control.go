package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"
)

// Token lets a program in, or a browser that is unlocked.
type Token struct {
	Name    string    `json:"name,omitempty"` // empty for a browser
	Hash    string    `json:"hash"`           // SHA-256 of the secret, hex
	Scopes  []Scope   `json:"scopes,omitempty"`
	Created time.Time `json:"created,omitzero"`
	Used    time.Time `json:"used,omitzero"` // by a browser, to the day
}

// Allows reports whether the token has a scope.
func (t Token) Allows(s Scope) bool { return slices.Contains(t.Scopes, s) }

// Control holds the doors. Make one with NewControl.
type Control struct {
	settings Settings
	now      func() time.Time
	guesses  *limiter // of the passphrase
	secrets  *limiter // of tokens

	mu       sync.Mutex
	lists    map[string][]Token // browsers and programs, by their key in the settings
	locked   bool
	loadedAt time.Time // when these were last read
}

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
	locked, err := HasPassphrase(ctx, k.settings)
	if err != nil {
		return err
	}
	lists := map[string][]Token{}
	for _, key := range []string{keySessions, keyTokens} {
		v, err := get(ctx, k.settings, key)
		if err != nil {
			return fmt.Errorf("access: reading %s: %w", key, err)
		}
		var list []Token
		if len(v) > 0 {
			err = json.Unmarshal(v, &list)
		}
		if err != nil {
			return fmt.Errorf("access: %s is damaged: %w; log in again or make new tokens", key, err)
		}
		lists[key] = list
	}
	k.locked, k.lists, k.loadedAt = locked, lists, k.now()
	return nil
}

// list returns a list as it is now. When the settings cannot be read, the last known
// state stands.
func (k *Control) list(ctx context.Context, key string) []Token {
	_ = k.reread(ctx, false)
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.lists[key])
}

// change changes a list and keeps it; where it cannot be kept nothing changes.
func (k *Control) change(ctx context.Context, key string, do func([]Token) ([]Token, error)) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	list, err := do(slices.Clone(k.lists[key]))
	if err != nil {
		return err
	}
	body, err := json.Marshal(list)
	if err == nil {
		err = k.settings.Set(ctx, key, body)
	}
	if err != nil {
		return fmt.Errorf("access: keeping %s: %w", key, err)
	}
	k.lists[key] = list
	return nil
}

// find returns the entry of a list that has a secret.
func (k *Control) find(ctx context.Context, key, secret string) (Token, bool) {
	list := k.list(ctx, key)
	i := slices.IndexFunc(list, has(secret))
	if i < 0 {
		return Token{}, false
	}
	return list[i], true
}

// has reports whether a token has a secret.
func has(secret string) func(Token) bool {
	want := digest(secret)
	return func(t Token) bool { return t.Hash == want }
}

// Locked reports whether a passphrase is set. When the settings cannot be read
// it keeps to what it last knew.
func (k *Control) Locked(ctx context.Context) bool {
	_ = k.reread(ctx, false) // the last known state stands
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.locked
}

// check checks a passphrase from an address.
func (k *Control) check(ctx context.Context, passphrase, from string) error {
	stored, err := get(ctx, k.settings, keyPassphrase)
	if err != nil {
		return fmt.Errorf("reading the passphrase: %w", err)
	}
	if len(stored) == 0 {
		return ErrNotSet
	}
	right, err := checker(string(stored))
	if err != nil {
		return err
	}
	return k.guesses.try(from, k.now(), func() bool { return right(passphrase) })
}

// Unlock checks a passphrase and opens a session. from is the address of the
// asker: wrong guesses from there are slowed down. It fails with ErrTooMany,
// ErrNotSet or ErrWrong.
func (k *Control) Unlock(ctx context.Context, passphrase, from string) (string, error) {
	if err := k.check(ctx, passphrase, from); err != nil {
		return "", err
	}
	return k.open(ctx)
}

// SetPassphrase sets the passphrase, the first or a new one, ends every session and
// opens one for the asker. Where one is set, old must be it, and wrong ones are slowed
// down as in Unlock.
func (k *Control) SetPassphrase(ctx context.Context, old, fresh, from string) (string, error) {
	if err := k.check(ctx, old, from); err != nil && !errors.Is(err, ErrNotSet) {
		return "", err
	}
	if err := SetPassphrase(ctx, k.settings, fresh); err != nil {
		return "", err
	}
	if err := k.reread(ctx, true); err != nil {
		return "", err
	}
	return k.open(ctx)
}

// open makes a new session and drops those that were not used for SessionLife, and the
// oldest beyond maxSessions.
func (k *Control) open(ctx context.Context) (string, error) {
	id := secret()
	return id, k.change(ctx, keySessions, func(list []Token) ([]Token, error) {
		list = append(list, Token{Hash: digest(id), Used: k.now()})
		list = slices.DeleteFunc(list, func(t Token) bool { return k.now().Sub(t.Used) > SessionLife })
		slices.SortStableFunc(list, func(a, b Token) int { return a.Used.Compare(b.Used) })
		return list[max(0, len(list)-maxSessions):], nil
	})
}

// Known reports whether a session is open, and notes its use once a day.
func (k *Control) Known(ctx context.Context, id string) bool {
	t, ok := k.find(ctx, keySessions, id)
	age := k.now().Sub(t.Used)
	if !ok || age > SessionLife {
		return false
	}
	if age > 24*time.Hour {
		_ = k.change(ctx, keySessions, func(list []Token) ([]Token, error) { // tried again when it is used next
			if i := slices.IndexFunc(list, has(id)); i >= 0 {
				list[i].Used = k.now()
			}
			return list, nil
		})
	}
	return true
}

// Lock ends one session.
func (k *Control) Lock(ctx context.Context, id string) error {
	return k.change(ctx, keySessions, func(list []Token) ([]Token, error) { return slices.DeleteFunc(list, has(id)), nil })
}

// LockAll ends every session.
func (k *Control) LockAll(ctx context.Context) error {
	return k.change(ctx, keySessions, func([]Token) ([]Token, error) { return []Token{}, nil })
}

// NewToken makes a token and returns its secret, which is shown only once. It
// refuses a name in use, an unusable name and unknown or no scopes.
func (k *Control) NewToken(ctx context.Context, name string, wanted []Scope) (string, error) {
	if !regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 _.-]{0,39}$`).MatchString(name) {
		return "", ErrTokenName
	}
	if len(wanted) == 0 || slices.ContainsFunc(wanted, func(s Scope) bool { return !slices.Contains(scopes(), s) }) {
		return "", ErrNoScope
	}
	plain := "tmk_" + secret() // marked, so that it is found when it leaks
	return plain, k.change(ctx, keyTokens, func(list []Token) ([]Token, error) {
		if slices.ContainsFunc(list, func(t Token) bool { return t.Name == name }) {
			return nil, ErrTokenTaken
		}
		return append(list, Token{Name: name, Hash: digest(plain), Scopes: wanted, Created: k.now()}), nil
	})
}

// RemoveToken takes a token back. It refuses a name that is not known.
func (k *Control) RemoveToken(ctx context.Context, name string) error {
	return k.change(ctx, keyTokens, func(list []Token) ([]Token, error) {
		n := len(list)
		if list = slices.DeleteFunc(list, func(t Token) bool { return t.Name == name }); len(list) == n {
			return nil, ErrNoToken
		}
		return list, nil
	})
}

// Tokens lists the tokens without their secrets.
func (k *Control) Tokens(ctx context.Context) []Token { return k.list(ctx, keyTokens) }

// Bearer finds the token of an Authorization header. from is the address of
// the asker: wrong secrets from there are slowed down, apart from the passphrase.
func (k *Control) Bearer(ctx context.Context, header, from string) (Token, error) {
	scheme, plain, ok := strings.Cut(header, " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return Token{}, errors.New("the Authorization header must read: Bearer, a space, and the token")
	}
	if t, ok := k.find(ctx, keyTokens, strings.TrimSpace(plain)); ok {
		return t, nil
	}
	err := k.secrets.try(from, k.now(), func() bool { return false })
	if errors.Is(err, ErrWrong) {
		err = errors.New("the token is not known; it may have been taken back")
	}
	return Token{}, err
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
