package guard

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/alert/channel"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
)

// This file alone knows how to drive the program. Everything else speaks of readings,
// deeds, views and messages as they are declared in guard_test.go.

// buildProgram builds the command as a household would run it and returns its path.
func buildProgram(dir string) (string, error) {
	program := filepath.Join(dir, "tidemark")
	out, err := exec.Command("go", "build", "-o", program, "tidemark/cmd/tidemark").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("the program does not build: %w\n%s", err, out)
	}
	return program, nil
}

// replayJSON runs `replay --json` and returns its lines.
func replayJSON(program, configFile, vessel, record string) ([]line, error) {
	cmd := exec.Command(program, "replay", "--config", configFile, "--vessel", vessel, record, "--json")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("replay of %s: %w\n%s", record, err, &stderr)
	}
	var lines []line
	for s := bufio.NewScanner(bytes.NewReader(out)); s.Scan(); {
		var l line
		if err := json.Unmarshal(s.Bytes(), &l); err != nil {
			return nil, fmt.Errorf("replay of %s printed %q: %w", record, s.Text(), err)
		}
		lines = append(lines, l)
	}
	return lines, nil
}

// machine is a machine whose wall clock can be set while its boot clock runs on.
type machine struct {
	mu   sync.Mutex
	boot time.Duration
	wall time.Time
}

func (m *machine) tick(d time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.boot += d
	m.wall = m.wall.Add(d)
}

func (m *machine) set(wall time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.wall = wall
}

func (m *machine) now() time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.wall
}

func (m *machine) sinceBoot() time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.boot
}

// phone is a topic server that takes every message.
type phone struct {
	server *httptest.Server
	clock  func() time.Time
	mu     sync.Mutex
	got    []message
}

func newPhone(clock func() time.Time) *phone {
	p := &phone{clock: clock}
	p.server = httptest.NewServer(http.HandlerFunc(p.take))
	return p
}

func (p *phone) take(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Title, Message string
		Tags           []string
		SequenceID     string `json:"sequence_id"`
	}
	if r.Method != http.MethodPost || json.NewDecoder(r.Body).Decode(&in) != nil || len(in.Tags) == 0 {
		return // the picture
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	m := message{At: p.clock(), Kind: in.Tags[len(in.Tags)-1], Alarm: in.SequenceID, Text: in.Title + "\n" + in.Message}
	// With a page the program delivers by the machine's clock beside advance, so that
	// both may take the same notification; a household has one of the two.
	if !slices.Contains(p.got, m) {
		p.got = append(p.got, m)
	}
}

func (p *phone) messages() []message {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]message(nil), p.got...)
}

// kitchen is the program over a state folder, on a machine of its own, with a phone.
type kitchen struct {
	t     *testing.T
	m     *machine
	phone *phone
	yaml  string // configuration without the state folder and the channel
	dir   string
	store *history.Store
	app   *app.App
	log   logBook
}

// logBook keeps the program's warnings for a case that fails.
type logBook struct {
	mu  sync.Mutex
	all bytes.Buffer
}

func (l *logBook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.all.Write(p)
}

// openKitchen starts the program over a state folder.
func openKitchen(t *testing.T, yaml string, wall time.Time, dir string) *kitchen {
	t.Helper()
	k := &kitchen{t: t, m: &machine{wall: wall, boot: time.Minute}, yaml: yaml, dir: dir}
	k.phone = newPhone(k.m.now)
	k.dateFiles()
	k.start()
	t.Cleanup(func() {
		k.stop()
		k.phone.server.Close()
		if t.Failed() {
			t.Logf("the program's log:\n%.4000s", k.log.all.String())
		}
	})
	return k
}

// config reads the configuration as the service does, but for the sensors.
func (k *kitchen) config() *config.Config {
	k.t.Helper()
	text := k.yaml + fmt.Sprintf("\nstate_dir: %s\nchannels:\n  - {name: phone, kind: topic, url: %q, topic: kitchen, no_picture: true}\n", k.dir, k.phone.server.URL)
	cfg, err := config.Parse("guard.yaml", []byte(text), config.WithoutSensors)
	require.NoError(k.t, err)
	return cfg
}

func (k *kitchen) start() {
	k.t.Helper()
	ctx := context.Background()
	cfg := k.config()
	routes, err := channel.Routes(cfg.Channels, channel.Env{Household: app.LocaleOf(cfg)})
	require.NoError(k.t, err)
	k.store, err = history.Open(ctx, filepath.Join(k.dir, "tidemark.db"), history.Options{Now: k.m.now, FlushEvery: 24 * time.Hour})
	require.NoError(k.t, err)
	k.app, err = app.New(app.Options{Config: cfg, Clock: app.NewSteadyOf(k.m.now, k.m.sinceBoot), Store: k.store, Routes: routes,
		Listen: "127.0.0.1:0", StartTold: true, Log: slog.New(slog.NewTextHandler(&k.log, &slog.HandlerOptions{Level: slog.LevelWarn})), Timesync: filepath.Join(k.dir, "no-time-client")})
	require.NoError(k.t, err)
	require.NoError(k.t, k.app.Start(ctx))
}

func (k *kitchen) stop() {
	ctx := context.Background()
	require.NoError(k.t, errors.Join(k.app.Stop(ctx), k.store.Close(ctx)))
}

// restart ends the program in order and starts it again, or lets it go on with the
// files as they lay on the disk when it was killed. It is off for a while between.
func (k *kitchen) restart(killed bool, off time.Duration) {
	k.t.Helper()
	if killed {
		require.NoError(k.t, k.store.Flush(context.Background())) // samples go to disk once a minute
		next := k.t.TempDir()
		require.NoError(k.t, os.CopyFS(next, os.DirFS(k.dir)))
		k.stop()
		k.dir = next
	} else {
		k.stop()
	}
	k.dateFiles()
	k.m.tick(off)
	k.start()
}

// dateFiles gives the files of the state folder the times at which they were written by
// the kitchen's clock: the program takes them for its last sign of life.
func (k *kitchen) dateFiles() {
	files, err := filepath.Glob(filepath.Join(k.dir, "tidemark.db*"))
	require.NoError(k.t, err)
	for _, f := range files {
		require.NoError(k.t, os.Chtimes(f, k.m.now(), k.m.now()))
	}
}

// reload hands the running program a changed configuration, as SIGHUP does.
func (k *kitchen) reload(yaml string) {
	k.t.Helper()
	k.yaml = yaml
	k.app.Reload(k.config())
}

// observe takes one reading of a vessel in.
func (k *kitchen) observe(vessel string, r reading) {
	k.app.FollowClock(context.Background())
	k.app.Observe(vessel, estimator.Sample{Time: k.now(), DistanceMM: r.DistanceMM, DoughC: r.DoughC, AirC: r.AirC})
}

// now is the program's time.
func (k *kitchen) now() time.Time { return k.m.now() }

// advance lets the program think and send.
func (k *kitchen) advance() {
	ctx := context.Background()
	k.app.FollowClock(ctx)
	k.app.Advance(k.now())
	for range 1000 {
		before := len(k.phone.messages())
		require.NoError(k.t, k.app.TellOnce(ctx))
		for deadline := time.Now().Add(10 * time.Second); k.app.Telling() > 0; {
			require.True(k.t, time.Now().Before(deadline), "a delivery does not end")
			time.Sleep(50 * time.Microsecond) // until the delivery has ended, not for a time
		}
		if len(k.phone.messages()) == before {
			return
		}
	}
	k.t.Fatal("messages without end")
}

// request asks the program over HTTP and returns the body.
func (k *kitchen) request(method, path string, body any) ([]byte, error) {
	var in io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		in = bytes.NewReader(b)
	}
	r, err := http.NewRequest(method, "http://"+k.app.Address()+path, in)
	if err != nil {
		return nil, err
	}
	if in != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode/100 != 2 {
		err = fmt.Errorf("%s %s: %s: %s", method, path, resp.Status, out)
	}
	return out, err
}

// do does what a person would do on the page, through the API. An error is a refusal.
func (k *kitchen) do(vessel string, d deed) error {
	body := map[string]any{"kind": d.Kind}
	if !d.At.IsZero() {
		body["at"] = d.At.Format(time.RFC3339)
	}
	for key, v := range map[string]string{"step_id": d.Step, "alarm_id": d.Alarm, "note": d.Note} {
		if v != "" {
			body[key] = v
		}
	}
	if d.Percent != 0 {
		body["target_percent"] = d.Percent
	}
	if d.Snooze != 0 {
		body["snooze_seconds"] = d.Snooze.Seconds()
	}
	if d.Event != 0 {
		body["undo_id"] = d.Event
	}
	if d.Step != "" && d.Kind == "step" {
		body["answer"] = "nothing" // a step may ask what is still in the oven
	}
	if p := d.Plan; p != nil {
		body["plan"] = map[string]any{"asked": p.Asked.Format(time.RFC3339), "ready": p.Ready.Format(time.RFC3339), "air_c": p.AirC, "ripe_until": p.Ripe.Format(time.RFC3339), "way": p.Way}
	}
	_, err := k.request(http.MethodPost, "/api/v1/vessels/"+vessel+"/acts", body)
	return err
}

// correct gives an event another time.
func (k *kitchen) correct(vessel string, event int64, at time.Time) error {
	_, err := k.request(http.MethodPost, "/api/v1/vessels/"+vessel+"/acts", map[string]any{"kind": "correct", "event_id": event, "at": at.Format(time.RFC3339)})
	return err
}

// utc writes a time without a plus sign, which a query would have to escape.
const utc = "2006-01-02T15:04:05Z"

// ways asks for the ways to a bread and returns their names; those that fit first.
func (k *kitchen) ways(vessel string, p plan) ([]string, error) {
	out, err := k.request(http.MethodGet, fmt.Sprintf("/api/v1/plan?vessel=%s&ready=%s&ripe_until=%s&air_c=%g", vessel, p.Ready.UTC().Format(utc), p.Ripe.UTC().Format(utc), p.AirC), nil)
	if err != nil {
		return nil, err
	}
	var in struct {
		Ways []struct {
			Name string
			Fits bool
		}
	}
	if err := json.Unmarshal(out, &in); err != nil {
		return nil, err
	}
	var fit, rest []string
	for _, w := range in.Ways {
		if w.Fits {
			fit = append(fit, w.Name)
		} else {
			rest = append(rest, w.Name)
		}
	}
	return append(fit, rest...), nil
}

// see reads what the program knows of a vessel from its API.
func (k *kitchen) see(vessel string) view {
	k.t.Helper()
	out, err := k.request(http.MethodGet, "/api/v1/vessels/"+vessel, nil)
	require.NoError(k.t, err)
	var in struct {
		State struct {
			Estimate struct {
				Started       *time.Time
				RisePercent   *float64 `json:"rise_percent"`
				TargetPercent *float64 `json:"target_percent"`
				Ready         struct{ From, Median, Until *time.Time }
				ReadyIsPast   bool `json:"ready_is_past"`
				Phase         string
				Quality       string
			}
			InFridge bool `json:"in_fridge"`
			Steps    []struct {
				ID, Name, State, By string
				At                  *time.Time
			}
			Events []struct {
				ID   int64
				At   time.Time
				Kind string
			}
			Plan *struct {
				Way     string
				Pending bool
			}
		}
		Alarms []struct{ ID, Kind, State string }
	}
	require.NoError(k.t, json.Unmarshal(out, &in))
	s, e := in.State, in.State.Estimate
	v := view{Phase: e.Phase, Quality: e.Quality, Percent: e.RisePercent, Target: e.TargetPercent,
		Started: e.Started, Ready: e.Ready.Median, ReadyIsPast: e.ReadyIsPast, InFridge: s.InFridge}
	if e.Ready.From != nil && e.Ready.Until != nil {
		v.Doubt = e.Ready.Until.Sub(*e.Ready.From)
	}
	for _, x := range s.Steps {
		v.Steps = append(v.Steps, step{ID: x.ID, Name: x.Name, State: x.State, By: x.By})
	}
	for _, a := range in.Alarms {
		v.Alarms = append(v.Alarms, alarm{ID: a.ID, Kind: a.Kind, State: a.State})
	}
	for _, d := range s.Events {
		if d.Kind != "replan" { // what the rise itself moved
			v.Events = append(v.Events, event{ID: d.ID, At: d.At, Kind: d.Kind})
		}
	}
	if s.Plan != nil {
		v.Plan, v.Pending = s.Plan.Way, s.Plan.Pending
	}
	return v
}

// pageText returns the text of the page of the tub as a person reads it.
func (k *kitchen) pageText() string {
	k.t.Helper()
	out, err := k.request(http.MethodGet, "/?vessel=tub", nil)
	require.NoError(k.t, err)
	unseen := regexp.MustCompile(`(?s)<(script|style|svg|option|head)\b.*?</(script|style|svg|option|head)>`)
	tags := regexp.MustCompile(`(?s)<[^>]*>`)
	text := html.UnescapeString(tags.ReplaceAllString(unseen.ReplaceAllString(string(out), " "), " "))
	return strings.Join(strings.Fields(strings.ReplaceAll(text, "\u00a0", " ")), " ")
}
