package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/history"
)

// notifyKitchen writes a configuration with two channels to a server.
func notifyKitchen(t *testing.T, url, web string) (dir, file string) {
	t.Helper()
	dir = t.TempDir()
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
	return dir, file
}

// notify runs the command and returns what it printed.
func notify(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	err := runNotify(t.Context(), streams{out: &out, err: &out}, args)
	return out.String(), err
}

func TestNotifyTestSaysWhatTheServerAnswered(t *testing.T) {
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
	_, file := notifyKitchen(t, srv.URL, "")
	out, err := notify(t, "--test", "phone", "--config", file)
	require.NoError(t, err)
	assert.Equal(t, "phone (topic): sent; the other side says: 200 OK\n"+
		"Note: messages carry no buttons to answer a warning: they need base_url under web, the address at which phones reach the page, such as http://kitchen-pi.local:8080.\n", out)
	_, reachable := notifyKitchen(t, srv.URL, `web: {base_url: "http://pi.example.org:8080"}`)
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

func TestNotifyAnswersAlarms(t *testing.T) {
	dir, file := notifyKitchen(t, "https://push.example.org", "")
	store, err := history.Open(t.Context(), filepath.Join(dir, historyFile), history.Options{})
	require.NoError(t, err)
	at := time.Date(2026, 11, 7, 18, 0, 0, 0, time.UTC)
	for i, id := range []string{"over-tub-1", "too_hot-tub-2"} {
		a := alert.Alarm{ID: id, Kind: alert.Over, Vessel: "tub", State: alert.Firing, Since: at.Add(time.Duration(i) * time.Minute), Text: "Text of " + id + "."}
		l := alert.Notification{ID: id + "/phone/0", AlarmID: id, Channel: "phone", State: alert.Waiting, CreatedAt: at}
		require.NoError(t, store.SaveAlarm(t.Context(), a, []alert.Notification{l}))
	}
	out, err := notify(t, "--config", file)
	require.NoError(t, err)
	assert.Equal(t, "Sat 7 Nov 2026 18:00  over-tub-1  [not answered]\n    Text of over-tub-1.\nSat 7 Nov 2026 18:01  too_hot-tub-2  [not answered]\n    Text of too_hot-tub-2.\n", out)

	out, err = notify(t, "snooze", "over-tub-1", "45m", "--config", file)
	require.NoError(t, err)
	assert.Regexp(t, `^over-tub-1: quiet until \d\d:\d\d, asked for by command line\n$`, out)
	out, err = notify(t, "ack", "all", "--config", file)
	require.NoError(t, err)
	assert.Equal(t, "over-tub-1: answered by command line\ntoo_hot-tub-2: answered by command line\n", out)
	waiting, err := store.WaitingNotifications(t.Context())
	require.NoError(t, err)
	assert.Empty(t, waiting, "the running service sends nothing more")
	out, err = notify(t, "ack", "all", "--config", file)
	require.NoError(t, err)
	assert.Equal(t, "No warning waits for an answer.\n", out)
	out, err = notify(t, "--config", file)
	require.NoError(t, err)
	assert.Equal(t, 2, strings.Count(out, "[answered by command line]"))
	require.NoError(t, store.Close(t.Context()))
}

func TestNotifyRefuses(t *testing.T) {
	_, file := notifyKitchen(t, "https://push.example.org", "")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"phone"}, `notify knows ack and snooze, found "phone"; to test a channel write notify --test phone`},
		{[]string{"ack"}, "notify ack needs the ID of a warning, or all; notify alone lists them"},
		{[]string{"ack", "a", "b"}, `notify ack has too many words: ["b"]`},
		{[]string{"snooze", "a", "soon"}, `"soon" is not a time to wait between 1m and 24h; write it like 30m`},
		{[]string{"--test", "a", "b"}, "notify --test takes one channel, found 2"},
	} {
		_, err := notify(t, append(c.args, "--config", file)...)
		assert.EqualError(t, err, c.want)
		var usage usageError
		assert.ErrorAs(t, err, &usage)
	}
	_, err := notify(t, "ack", "x", "--config", file)
	assert.ErrorContains(t, err, "cannot be opened")
}
