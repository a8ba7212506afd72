package main

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestRedact(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"plain value", "token: abc123 # old: xyz\n", "token: (removed)\n"},
		{"quoted", "topic: \"a b\"\nfloor_mm: 240\n", "topic: (removed)\nfloor_mm: 240\n"},
		{"single quotes", "password: 'x: y'\n", "password: (removed)\n"},
		{"flow", "{kind: topic, url: http://h/p, token: s3cret, no_picture: true}\n", "{kind: topic, url: (removed), token: (removed), no_picture: true}\n"},
		{"list", "to:\n  - a@example.org\n  - b@example.org\n", "to:\n  - (removed)\n  - (removed)\n"},
		{"flow list", "to: [a@example.org, b@example.org]\n", "to: [(removed), (removed)]\n"},
		{"digits", "password: 123456\n", "password: (removed)\n"},
		{"misspelt", "tokn: abc123\n", "tokn: (removed)\n"},
		{"profile", "profile: [[0, 0], [50, 1.5]]\n", "profile: [[0, 0], [50, 1.5]]\n"},
		{"nothing", "token:\nlead: 30m\n", "token:\nlead: 30m\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, _ := redact(c.in)
			assert.Equal(t, strings.TrimRight(c.want, " \n"), got)
		})
	}
}

func TestRedactOfBlocks(t *testing.T) {
	got, private := redact("sign_key: |\n  first line\n  second line\nkind: webhook\nnote: >\n  folded\n  text\n")
	for _, secret := range []string{"first", "second", "folded", "text"} {
		assert.NotContains(t, got, secret)
	}
	assert.Contains(t, got, "kind: webhook")
	assert.Equal(t, "line (removed) here", withoutPrivate("line second line here", private))
}

func TestRedactIsNotFooledByBrokenYAML(t *testing.T) {
	for _, in := range []string{"token: [s3cret-word\n", "token: \"s3cret-word\n", "- token: s3cret-word: x\n", "\ttoken: s3cret-word\n", "token: &a s3cret-word\n", "token: !!str s3cret-word\n"} {
		got, _ := redact(in)
		assert.NotContains(t, got, "s3cret", "of %q", in)
	}
}

// TestRedactTakesEverySecretOut puts a word under a key that is not listed, in
// every way of writing it.
func TestRedactTakesEverySecretOut(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		secret := rapid.StringMatching(`[A-Za-z][A-Za-z0-9_-]{6,20}`).Draw(r, "secret")
		form := rapid.SampledFrom([]string{"%k: %s\n", "%k: \"%s\"\n", "%k: '%s'\n", "%k: [%s, %s]\n", "a: {%k: %s}\n", "%k: |\n  %s\n", "- %k:   %s   # %s\n", "%k:\n  - %s\n"}).Draw(r, "form")
		key := rapid.SampledFrom([]string{"token", "topic", "url", "password", "anything", "base_url", "token_file"}).Draw(r, "key")
		got, _ := redact(strings.NewReplacer("%k", key, "%s", secret).Replace(form))
		if strings.Contains(got, secret) {
			r.Fatalf("%q left in %q", secret, got)
		}
	})
}

func FuzzRedact(f *testing.F) {
	f.Add("token: x\n")
	f.Add("a: |\n  b\n")
	f.Fuzz(func(_ *testing.T, text string) { redact(text) })
}

// TestShownKeysOfTheExample keeps the example configuration readable in a report.
func TestShownKeysOfTheExample(t *testing.T) {
	data, err := os.ReadFile("../../deploy/tidemark.yaml")
	require.NoError(t, err)
	got, _ := redact(string(data))
	assert.Contains(t, got, "sample_every:")
	assert.NotContains(t, got, "#")
}
