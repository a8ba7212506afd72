package app

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/web/access"
)

// TestThePageStaysOnThisMachineWithoutAPassphrase lets it out to the house only
// once the household has set one.
func TestThePageStaysOnThisMachineWithoutAPassphrase(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	rows := []struct{ asked, without, with string }{
		{"127.0.0.1:8080", "127.0.0.1:8080", "127.0.0.1:8080"},
		{"localhost:8080", "localhost:8080", "localhost:8080"},
		{"[::1]:8080", "[::1]:8080", "[::1]:8080"},
		{":8080", "127.0.0.1:8080", ":8080"},
		{"0.0.0.0:8080", "127.0.0.1:8080", "0.0.0.0:8080"},
		{"[::]:8080", "127.0.0.1:8080", "[::]:8080"},
		{"192.168.1.5:8080", "127.0.0.1:8080", "192.168.1.5:8080"},
		{"kitchen.local:8080", "127.0.0.1:8080", "kitchen.local:8080"},
	}
	for _, r := range rows {
		got, _, err := b.app.allowedAddress(t.Context(), r.asked)
		require.NoError(t, err)
		assert.Equal(t, r.without, got, "asked for %s", r.asked)
	}
	require.NoError(t, access.SetPassphrase(t.Context(), b.store.Settings(), "flour water salt time"))
	for _, r := range rows {
		got, _, err := b.app.allowedAddress(t.Context(), r.asked)
		require.NoError(t, err)
		assert.Equal(t, r.with, got, "asked for %s", r.asked)
	}
	_, _, err := b.app.allowedAddress(t.Context(), "8080")
	require.ErrorContains(t, err, "not an address with a port")
}

// TestWithoutAStoreThePageStaysOnThisMachine has nowhere to look for a passphrase.
func TestWithoutAStoreThePageStaysOnThisMachine(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	a, err := New(Options{Config: b.app.opt.Config, Clock: b.clock})
	require.NoError(t, err)
	got, _, err := a.allowedAddress(t.Context(), ":80")
	require.NoError(t, err)
	assert.Equal(t, "127.0.0.1:80", got)
}
