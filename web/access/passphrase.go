package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// The length of a passphrase in characters and in bytes.
const (
	MinPassphrase      = 8
	MaxPassphraseBytes = 512
)

// cost is what one check of a passphrase costs.
type cost struct {
	memoryKiB, passes uint32
	lanes             uint8
}

// usual is the cost in use. 19 MiB and two passes are the least that OWASP's password
// storage guide names for argon2id (from memory); more would not fit the smallest board
// beside the watch.
func usual() cost { return cost{memoryKiB: 19 * 1024, passes: 2, lanes: 1} }

// keyBytes is the length of a hash.
const keyBytes = 32

// hash returns a passphrase in the PHC form.
func (c cost) hash(passphrase string, salt []byte) string {
	key := argon2.IDKey([]byte(passphrase), salt, c.passes, c.memoryKiB, c.lanes, keyBytes)
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, c.memoryKiB, c.passes, c.lanes, b.EncodeToString(salt), b.EncodeToString(key))
}

// checker returns what checks passphrases against a stored one, in constant time. It
// refuses a cost that would harm the machine.
func checker(stored string) (func(passphrase string) bool, error) {
	var c cost
	var version int
	var rest string
	_, err := fmt.Sscanf(stored, "$argon2id$v=%d$m=%d,t=%d,p=%d$%s", &version, &c.memoryKiB, &c.passes, &c.lanes, &rest)
	salt, key, _ := strings.Cut(rest, "$")
	b := base64.RawStdEncoding
	salted, err2 := b.DecodeString(salt)
	if err = errors.Join(err, err2); err != nil || version != argon2.Version || len(salted) < 8 || len(key) != b.EncodedLen(keyBytes) ||
		c.memoryKiB < 8 || c.memoryKiB > 256*1024 || c.passes < 1 || c.passes > 20 || c.lanes < 1 || c.lanes > 16 {
		return nil, errors.New("access: the stored passphrase is damaged; set it again with tidemark passphrase")
	}
	return func(passphrase string) bool {
		return len(passphrase) <= MaxPassphraseBytes && subtle.ConstantTimeCompare([]byte(stored), []byte(c.hash(passphrase, salted))) == 1
	}, nil
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
	salt := make([]byte, 16)
	_, _ = rand.Read(salt) // never fails, see crypto/rand
	if err := s.Set(ctx, keyPassphrase, []byte(usual().hash(passphrase, salt))); err != nil {
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
