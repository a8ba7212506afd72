package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// The cost of one check. 19 MiB and two passes are the least that OWASP's
// password storage guide names for argon2id (from memory); more would not fit
// the smallest board beside the watch.
const (
	memoryKiB = 19 * 1024
	passes    = 2
	lanes     = 1
	keyBytes  = 32
	saltBytes = 16
)

// The length of a passphrase in characters and in bytes.
const (
	MinPassphrase      = 8
	MaxPassphraseBytes = 512
)

// hash is a stored passphrase.
type hash struct {
	memoryKiB, passes uint32
	lanes             uint8
	salt, key         []byte
}

// newHash hashes a passphrase with a fresh salt.
func newHash(passphrase string) hash {
	h := hash{memoryKiB: memoryKiB, passes: passes, lanes: lanes, salt: make([]byte, saltBytes)}
	_, _ = rand.Read(h.salt) // never fails, see crypto/rand
	h.key = h.derive(passphrase, keyBytes)
	return h
}

func (h hash) derive(passphrase string, n int) []byte {
	return argon2.IDKey([]byte(passphrase), h.salt, h.passes, h.memoryKiB, h.lanes, uint32(n))
}

// matches checks a passphrase in constant time.
func (h hash) matches(passphrase string) bool {
	return subtle.ConstantTimeCompare(h.key, h.derive(passphrase, len(h.key))) == 1
}

// String writes the PHC form.
func (h hash) String() string {
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.memoryKiB, h.passes, h.lanes,
		b.EncodeToString(h.salt), b.EncodeToString(h.key))
}

// parseHash reads the PHC form and refuses costs that would harm the machine.
func parseHash(s string) (hash, error) {
	bad := func(what string) (hash, error) {
		return hash{}, fmt.Errorf("access: the stored passphrase is damaged (%s); set it again with tidemark passphrase", what)
	}
	parts := strings.Split(s, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return bad("not an argon2id hash")
	}
	var version int
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return bad("unknown version")
	}
	var h hash
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &h.memoryKiB, &h.passes, &h.lanes); err != nil {
		return bad("unreadable cost")
	}
	if h.memoryKiB < 8 || h.memoryKiB > 256*1024 || h.passes < 1 || h.passes > 20 || h.lanes < 1 || h.lanes > 16 {
		return bad("cost out of range")
	}
	var err error
	if h.salt, err = base64.RawStdEncoding.DecodeString(parts[4]); err != nil || len(h.salt) < 8 {
		return bad("unreadable salt")
	}
	if h.key, err = base64.RawStdEncoding.DecodeString(parts[5]); err != nil || len(h.key) < 16 || len(h.key) > 128 {
		return bad("unreadable key")
	}
	return h, nil
}

// SetPassphrase keeps a new passphrase and ends every session. It refuses one
// that is too short or too long.
func SetPassphrase(ctx context.Context, s Settings, passphrase string) error {
	if utf8.RuneCountInString(passphrase) < MinPassphrase {
		return ErrShort
	}
	if len(passphrase) > MaxPassphraseBytes {
		return ErrLong
	}
	if err := s.Set(ctx, keyPassphrase, []byte(newHash(passphrase).String())); err != nil {
		return fmt.Errorf("keeping the passphrase: %w", err)
	}
	if err := s.Set(ctx, keySessions, []byte("[]")); err != nil {
		return fmt.Errorf("ending the sessions: %w", err)
	}
	return nil
}

// HasPassphrase reports whether the household has set a passphrase.
func HasPassphrase(ctx context.Context, s Settings) (bool, error) {
	v, err := get(ctx, s, keyPassphrase)
	if err != nil {
		return false, fmt.Errorf("reading whether a passphrase is set: %w", err)
	}
	return len(v) > 0, nil
}
