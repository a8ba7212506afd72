package main

import (
	"errors"
	"os"
	"path/filepath"
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
		{"flow", "{kind: topic, url: http://h/p, token: s3cret, no_picture: true}\n", "kind: topic\nurl: (removed)\ntoken: (removed)\nno_picture: true\n"},
		{"list", "to:\n  - a@example.org\n  - b@example.org\n", "to:\n- (removed)\n- (removed)\n"},
		{"digits", "password: 123456\n", "password: (removed)\n"},
		{"misspelt", "tokn: abc123\n", "tokn: (removed)\n"},
		{"profile", "profile: [[0, 0], [50, 1.5]]\n", "profile:\n- - 0\n  - 0\n- - 50\n  - 1.5\n"},
		{"nothing", "token:\nlead: 30m\n", "token: null\nlead: 30m\n"},
	} {
		got, _, err := redact([]byte(c.in))
		require.NoError(t, err, c.name)
		assert.Equal(t, c.want, got, c.name)
	}
	got, private, err := redact([]byte("sign_key: |\n  first line\n  second line\nkind: webhook\nnote: >\n  folded\n  text\n"))
	require.NoError(t, err)
	for _, secret := range []string{"first", "second", "folded", "text"} {
		assert.NotContains(t, got, secret)
	}
	assert.Contains(t, got, "kind: webhook")
	assert.Equal(t, "line (removed) here", withoutPrivate(errors.New("line second line here"), private))
}

// TestRedactIsNotFooledByBrokenYAML: of a file that cannot be taken apart nothing is
// shown, and of what is wrong with it only the place.
func TestRedactIsNotFooledByBrokenYAML(t *testing.T) {
	for _, in := range []string{"token: [s3cret-word\n", "token: \"s3cret-word\n", "- token: s3cret-word: x\n", "\ttoken: s3cret-word\n", "token: &a s3cret-word\n", "token: !!str s3cret-word\n", "a: *s3cret-word\n"} {
		path := filepath.Join(t.TempDir(), "t.yaml")
		require.NoError(t, os.WriteFile(path, []byte(in), 0o600))
		out, err := said(t, "", func(s streams) error { return runDoctor(t.Context(), s, []string{"--config", path}) })
		require.NoError(t, err)
		assert.NotContains(t, out, "s3cret", "of %q", in)
		assert.Contains(t, out, "refused")
	}
}

// TestRedactTakesEverySecretOut puts a word under a key that is not listed, in
// every way of writing it.
func TestRedactTakesEverySecretOut(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		secret := rapid.StringMatching(`[A-Za-z][A-Za-z0-9_-]{6,20}`).Draw(r, "secret")
		form := rapid.SampledFrom([]string{"%k: %s\n", "%k: \"%s\"\n", "%k: '%s'\n", "%k: [%s, %s]\n", "a: {%k: %s}\n", "%k: |\n  %s\n", "- %k:   %s   # %s\n", "%k:\n  - %s\n"}).Draw(r, "form")
		key := rapid.SampledFrom([]string{"token", "topic", "url", "password", "anything", "base_url", "token_file"}).Draw(r, "key")
		got, _, err := redact([]byte(strings.NewReplacer("%k", key, "%s", secret).Replace(form)))
		require.NoError(r, err)
		if strings.Contains(got, secret) {
			r.Fatalf("%q left in %q", secret, got)
		}
	})
}

func FuzzRedact(f *testing.F) {
	f.Add("token: x\n")
	f.Add("a: |\n  b\n")
	f.Fuzz(func(_ *testing.T, text string) { _, _, _ = redact([]byte(text)) })
}

// TestShownKeysOfTheExample keeps the example configuration readable in a report.
func TestShownKeysOfTheExample(t *testing.T) {
	data, err := os.ReadFile("../../deploy/tidemark.yaml")
	require.NoError(t, err)
	got, _, err := redact(data)
	require.NoError(t, err)
	assert.Contains(t, got, "sample_every:")
	assert.NotContains(t, got, "#")
}
