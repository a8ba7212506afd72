package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/history"
	"tidemark/sensor/sensortest"
)

// patience bounds the wait for something that comes in a moment.
const patience = 30 * time.Second

// endsWithin is how soon the service has to be gone after SIGTERM.
const endsWithin = 2 * time.Second

const tubProbe = "28-00000a1b2c3d"

// daemon is tidemark run as a process of its own, over a Pi-like tree.
type daemon struct {
	t      *testing.T
	dir    string // state, sysfs and configuration
	cmd    *exec.Cmd
	out    output
	exited chan error
}

// output collects what a process prints.
type output struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

// configure writes the configuration; more is put into the vessel.
func configure(t *testing.T, dir, more string) {
	t.Helper()
	text := fmt.Sprintf(`state_dir: %[1]s/state
sysfs: %[1]s/sys
sample_every: 1s
web: {listen: "127.0.0.1:0"}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    height: {kind: iio, device: "iio:device0"}
    dough: {kind: w1, id: %[2]s}
%[3]s`, dir, tubProbe, more)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "t.yaml"), []byte(text), 0o600))
}

// newHouse lays out a folder with a tree that shows a tub and a configuration.
func newHouse(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	tree := sensortest.Tree{Root: filepath.Join(dir, "sys")}
	require.NoError(t, tree.Height(180))
	require.NoError(t, tree.Probe(tubProbe, 24.5))
	configure(t, dir, "")
	return dir
}

// startDaemon starts the process and waits until it says that it watches.
func startDaemon(t *testing.T, dir string) *daemon {
	t.Helper()
	d := &daemon{t: t, dir: dir, exited: make(chan error, 1)}
	d.cmd = exec.Command("tidemark", "run", "--config", filepath.Join(dir, "t.yaml"))
	d.cmd.Stdout, d.cmd.Stderr = &d.out, &d.out
	require.NoError(t, d.cmd.Start())
	go func() { d.exited <- d.cmd.Wait() }()
	t.Cleanup(func() { _ = d.cmd.Process.Kill() }) // gone already when all went well
	d.says(", page at http://")
	return d
}

// says waits until the process has printed something.
func (d *daemon) says(text string) {
	d.t.Helper()
	require.Eventually(d.t, func() bool { return strings.Contains(d.out.String(), text) }, patience, 20*time.Millisecond,
		"%q was not printed; there is:\n%s", text, &d.out)
}

// page is the address of the page.
func (d *daemon) page() string {
	d.t.Helper()
	m := regexp.MustCompile(`page at (http://\S+)`).FindStringSubmatch(d.out.String())
	require.NotNil(d.t, m)
	return m[1]
}

// riseStored waits until a rise is under way in the history and returns it.
func (d *daemon) riseStored() bake.Rise {
	d.t.Helper()
	var rises []bake.Rise
	require.Eventually(d.t, func() bool {
		s, err := history.Open(context.Background(), filepath.Join(d.dir, "state", historyFile), history.Options{ReadOnly: true})
		if err != nil {
			return false
		}
		defer func() { _ = s.Close(context.Background()) }()
		rises, err = s.OpenRises(context.Background())
		return err == nil && len(rises) == 1
	}, patience, 100*time.Millisecond, "no rise is stored; there is:\n%s", &d.out)
	return rises[0]
}

// end sends a signal and returns how the process ended.
func (d *daemon) end(s syscall.Signal, within time.Duration) error {
	d.t.Helper()
	require.NoError(d.t, d.cmd.Process.Signal(s))
	select {
	case err := <-d.exited:
		return err
	case <-time.After(within):
		require.FailNow(d.t, "still there", "%s after %s; there is:\n%s", within, s, &d.out)
		return nil
	}
}

// TestRunEndsInOrder ends the service while a browser follows the page.
func TestRunEndsInOrder(t *testing.T) {
	t.Parallel()
	d := startDaemon(t, newHouse(t))
	d.riseStored()
	events, err := http.Get(d.page() + "/events")
	require.NoError(t, err)
	defer func() { _ = events.Body.Close() }()
	require.Equal(t, http.StatusOK, events.StatusCode)
	_, err = io.ReadFull(events.Body, make([]byte, 1))
	require.NoError(t, err, "the page is being followed")
	require.NoError(t, d.end(syscall.SIGTERM, endsWithin), "exit code 0")
	s, err := history.Open(t.Context(), filepath.Join(d.dir, "state", historyFile), history.Options{})
	require.NoError(t, err)
	assert.False(t, s.Opened().Unclean, "the stop was orderly")
	require.NoError(t, s.Close(t.Context()))
}

// TestRunReloads changes the configuration under a running service.
func TestRunReloads(t *testing.T) {
	t.Parallel()
	dir := newHouse(t)
	d := startDaemon(t, dir)
	for _, c := range []struct{ more, says string }{
		{"    lead: 45m\n", `level=INFO msg="the configuration is taken over" anew=false`},
		{"    led: 45m\n", `level=ERROR msg="the new configuration is refused; the old one stays"`},
		{"    target_by_dough_c: [[18, 100, 1], [21, 75]]\n", `target_by_dough_c[0]: expected [dough temperature C, rise percent], found a list of 3`},
		{"channels: [null]\n", `t.yaml:12:12: channels[0]: there is nothing here`},
		{"channels:\n  - ", `t.yaml:13:5: channels[0]: there is nothing here`},
		{"channels: " + strings.Repeat("[", 60000), `lists and keys lie more than 32 deep here`},
		{"    lost_after: 9m\n", `level=INFO msg="the configuration is taken over" anew=true`},
	} {
		configure(t, dir, c.more)
		require.NoError(t, d.cmd.Process.Signal(syscall.SIGHUP))
		d.says(c.says)
	}
	require.Eventually(t, func() bool { return strings.Count(d.out.String(), "page at http") == 2 }, patience, 20*time.Millisecond, "the watch begins anew in the same process")
	require.NoError(t, d.end(syscall.SIGTERM, endsWithin))
}

// TestRunResumesAfterAKill kills the service in mid-rise and starts it anew.
func TestRunResumesAfterAKill(t *testing.T) {
	t.Parallel()
	dir := newHouse(t)
	first := startDaemon(t, dir)
	before := first.riseStored()
	require.Error(t, first.end(syscall.SIGKILL, patience))
	second := startDaemon(t, dir)
	second.says(fmt.Sprintf(`msg="a bake goes on" vessel=tub rise=%d`, before.ID))
	after := second.riseStored()
	assert.Equal(t, before.ID, after.ID)
	assert.WithinDuration(t, before.StartedAt, after.StartedAt, 10*time.Millisecond)
	require.NoError(t, second.end(syscall.SIGTERM, endsWithin))
}

// TestOneServiceForOneHistory starts a second one on the same state folder. Its history is
// copied beside it, and not exchanged.
func TestOneServiceForOneHistory(t *testing.T) {
	t.Parallel()
	dir := newHouse(t)
	d := startDaemon(t, dir)
	out, err := exec.Command("tidemark", "run", "--config", filepath.Join(dir, "t.yaml")).CombinedOutput()
	require.Error(t, err)
	assert.Contains(t, string(out), "cannot be opened")
	copied := filepath.Join(dir, "copy.db")
	for _, c := range []struct{ args, says string }{{"backup " + copied, "and checked: "}, {"restore --yes " + copied, "sudo systemctl stop tidemark"}, {"new --yes", "sudo systemctl stop tidemark"}} {
		out, err := exec.Command("tidemark", strings.Fields("history --config "+filepath.Join(dir, "t.yaml")+" "+c.args)...).CombinedOutput()
		assert.Equal(t, c.says == "and checked: ", err == nil, "%s: %s", c.args, out)
		assert.Contains(t, string(out), c.says)
	}
	require.NoError(t, d.end(syscall.SIGTERM, endsWithin))
}
