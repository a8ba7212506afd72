package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// notifyKitchen writes a configuration with two channels to a server.
func notifyKitchen(t *testing.T, url, web string) (file string) {
	t.Helper()
	dir := t.TempDir()
	file = filepath.Join(dir, "tidemark.yaml")
	text := fmt.Sprintf(`state_dir: %s
%s
household: {time_zone: Europe/Lisbon}
channels:
  - {name: phone, kind: topic, url: %q, topic: kitchen-topic-9, token: tk-secret-9}
  - {name: hook, kind: webhook, url: %q}
vessels:
  - {name: tub, holds: dough, floor_mm: 240, profile: [[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]}
`, dir, web, url, url+"/hook")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	return file
}

// notify runs the command and returns what it printed.
func notify(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	err := runNotify(t.Context(), streams{out: &out, err: &out}, args)
	return out.String(), err
}

func TestNotifyTestSaysWhatTheServerAnswered(t *testing.T) {
	t.Parallel()
	var got []string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		got = append(got, string(body))
		if r.URL.Path == "/hook" {
			w.WriteHeader(http.StatusForbidden)
			_, _ = io.WriteString(w, "not you")
		}
	}))
	defer srv.Close()
	file := notifyKitchen(t, srv.URL, "")
	out, err := notify(t, "--test", "phone", "--config", file)
	require.NoError(t, err)
	assert.Equal(t, "phone (topic): sent; the other side says: 200 OK\n"+
		"Note: messages carry no buttons to answer a warning: they need base_url under web, the address at which phones reach the page, such as http://kitchen-pi.local:8080.\n", out)
	reachable := notifyKitchen(t, srv.URL, `web: {base_url: "http://pi.example.org:8080"}`)
	out, err = notify(t, "--test", "phone", "--config", reachable)
	require.NoError(t, err)
	assert.NotContains(t, out, "Note:")
	require.Len(t, got, 2)
	assert.Contains(t, got[0], `"topic":"kitchen-topic-9"`)
	assert.Contains(t, got[0], "This is a test from tidemark")

	out, err = notify(t, "--config", file, "--test")
	assert.EqualError(t, err, "1 of 2 test messages did not get through; see above")
	assert.Contains(t, out, "phone (topic): sent")
	assert.Contains(t, out, "hook (webhook): refused for good: 403 Forbidden not you\n")
	assert.NotContains(t, out, "secret")
	assert.NotContains(t, out, "kitchen-topic")

	_, err = notify(t, "--test", "pigeon", "--config", file)
	assert.ErrorContains(t, err, `has no channel "pigeon"; it has phone, hook`)
}

func TestNotifyRefuses(t *testing.T) {
	t.Parallel()
	file := notifyKitchen(t, "https://push.example.org", "")
	for want, args := range map[string][]string{
		"notify needs --test; warnings are listed and answered on the page": {"phone"},
		"notify --test takes one channel, found 2":                          {"--test", "a", "b"},
	} {
		_, err := notify(t, append(args, "--config", file)...)
		assert.EqualError(t, err, want)
		var usage usageError
		assert.ErrorAs(t, err, &usage)
	}
}
