package access

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// tokenPrefix marks our secrets, so that they are found when they leak.
const tokenPrefix = "tmk_"

var tokenName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 _.-]{0,39}$`)

// NewToken makes a token and returns its secret, which is shown only once. It
// refuses a name in use, an unusable name and unknown or no scopes.
func (k *Control) NewToken(ctx context.Context, name string, wanted []Scope) (string, error) {
	if !tokenName.MatchString(name) {
		return "", ErrTokenName
	}
	if len(wanted) == 0 || slices.ContainsFunc(wanted, func(s Scope) bool { return !slices.Contains(scopes(), s) }) {
		return "", ErrNoScope
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if slices.ContainsFunc(k.tokens, func(t Token) bool { return t.Name == name }) {
		return "", ErrTokenTaken
	}
	plain := tokenPrefix + secret()
	tokens := append(slices.Clone(k.tokens), Token{Name: name, Hash: digest(plain), Scopes: wanted, Created: k.now()})
	if err := k.save(ctx, keyTokens, tokens); err != nil {
		return "", err
	}
	k.tokens = tokens
	return plain, nil
}

// RemoveToken takes a token back. It refuses a name that is not known.
func (k *Control) RemoveToken(ctx context.Context, name string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	tokens := slices.DeleteFunc(slices.Clone(k.tokens), func(t Token) bool { return t.Name == name })
	if len(tokens) == len(k.tokens) {
		return ErrNoToken
	}
	if err := k.save(ctx, keyTokens, tokens); err != nil {
		return err
	}
	k.tokens = tokens
	return nil
}

// Tokens lists the tokens without their secrets.
func (k *Control) Tokens(ctx context.Context) []Token {
	_ = k.reread(ctx, false) // the last known state stands
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.tokens)
}

// Bearer finds the token of an Authorization header. from is the address of
// the asker: wrong secrets from there are slowed down, apart from the passphrase.
func (k *Control) Bearer(ctx context.Context, header, from string) (Token, error) {
	scheme, plain, ok := strings.Cut(header, " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return Token{}, fmt.Errorf("the Authorization header must read: Bearer, a space, and the token")
	}
	want := digest(strings.TrimSpace(plain))
	for _, t := range k.Tokens(ctx) {
		if t.Hash == want {
			return t, nil
		}
	}
	if !k.secrets.allows(from, k.now()) {
		return Token{}, ErrTooMany
	}
	k.secrets.wrong(from, k.now())
	return Token{}, fmt.Errorf("the token is not known; it may have been taken back")
}
