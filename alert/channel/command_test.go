package channel

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
)

// program writes a script to run.
func program(t *testing.T, text string) alert.ChannelSpec {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bell")
	require.NoError(t, os.WriteFile(path, []byte("#!/bin/sh\n"+text), 0o700))
	return alert.ChannelSpec{Name: "bell", Kind: "command", Run: []string{path, "loud; rm -rf $HOME", "$(id)"}}
}

func TestCommandGetsTheMessageAndNothingElse(t *testing.T) {
	t.Setenv("CREDENTIALS_DIRECTORY", "/run/credentials/x")
	t.Setenv("TIDEMARK_TOKEN", secretToken)
	out := filepath.Join(t.TempDir(), "out")
	m := sample()
	m.Text = "line one\nline \"two\" $(id)"
	answer := must(open(t, program(t, `{ printf '%s\n' "$#" "$1" "$2" "$TIDEMARK_TITLE" "$TIDEMARK_TEXT"; cat; echo; env; } >`+out+"\necho rang")).Deliver(t.Context(), m))
	assert.Equal(t, "exit 0 rang", answer)
	data := must(os.ReadFile(out))
	lines := strings.SplitN(string(data), "\n", 8)
	assert.Equal(t, []string{"2", "loud; rm -rf $HOME", "$(id)", m.Title, "line one", `line "two" $(id)`}, lines[:6], "no shell reads the arguments")
	var got alert.Message
	require.NoError(t, json.Unmarshal([]byte(lines[6]), &got))
	assert.Equal(t, m.ID, got.ID)
	assert.NotContains(t, lines[7], "CREDENTIALS")
	noSecret(t, lines[7])
}

func TestCommandOutcomes(t *testing.T) {
	for script, c := range map[string]struct {
		final bool
		says  string
	}{"exit 1": {true, "1 no speaker"}, "exit 2": {true, "2 no speaker"}, "exit 75": {false, "75, try again later no speaker"}, "exit 255": {true, "255 no speaker"}} {
		_, err := open(t, program(t, "echo no speaker >&2; "+script)).Deliver(t.Context(), sample())
		judge(t, err, c.final)
		assert.Contains(t, err.Error(), c.says)
	}
	_, err := open(t, alert.ChannelSpec{Name: "bell", Kind: "command", Run: []string{"/no/such/program"}}).Deliver(t.Context(), sample())
	judge(t, err, true)
	assert.Contains(t, err.Error(), "the program cannot be started")
	answer := must(open(t, program(t, "head -c 10000000 /dev/zero | tr '\\0' x")).Deliver(t.Context(), sample()))
	assert.LessOrEqual(t, len(answer), maxAnswer+10)
}

func TestCommandTimeLimitKillsChildrenToo(t *testing.T) {
	pidFile := filepath.Join(t.TempDir(), "pid")
	ch := open(t, program(t, "sleep 600 & echo $! >"+pidFile+"; wait"))
	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	_, err := ch.Deliver(ctx, sample())
	judge(t, err, false)
	assert.Contains(t, err.Error(), "did not end in time")
	pid := must(os.ReadFile(pidFile))
	assert.Eventually(t, func() bool {
		stat, err := os.ReadFile("/proc/" + strings.TrimSpace(string(pid)) + "/stat")
		return err != nil || strings.Contains(string(stat), ") Z ") // gone, or only waiting to be reaped
	}, 10*time.Second, 10*time.Millisecond)
}
