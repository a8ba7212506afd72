package app

import (
	"cmp"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
	"tidemark/web/past"
)

// benchConfig describes one tub.
const benchConfig = `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
`

// bench is an App on a stepped clock with a store, fed by hand.
type bench struct {
	t     *testing.T
	app   *App
	clock *Stepped
	store *history.Store
	start time.Time
	every time.Duration // between samples; 0 is 10 s
	slow  float64       // how much slower the dough is; 0 is 1
}

func newBench(t *testing.T) *bench {
	t.Helper()
	return newBenchOf(t, benchConfig)
}

func newBenchOf(t *testing.T, text string) *bench {
	t.Helper()
	b := &bench{t: t, clock: &Stepped{}, start: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)}
	b.clock.Set(b.start)
	b.open(t.TempDir(), text, Options{Clock: b.clock}, history.Options{Now: b.clock.Now})
	t.Cleanup(b.close)
	return b
}

// open starts the App over a state folder.
func (b *bench) open(dir, text string, o Options, h history.Options) {
	b.t.Helper()
	var err error
	o.Config, err = config.Parse("bench.yaml", []byte(text), config.WithoutSensors)
	require.NoError(b.t, err)
	batch := bake.DefaultBatch()
	o.Config.Vessels[0].Batch = &batch
	b.store, err = history.Open(b.t.Context(), filepath.Join(dir, "tidemark.db"), h)
	require.NoError(b.t, err)
	o.Store = b.store
	b.app, err = New(o)
	require.NoError(b.t, err)
	require.NoError(b.t, b.app.Start(b.t.Context()))
}

// close ends the App in order, unless it was.
func (b *bench) close() {
	assert.NoError(b.t, b.app.Stop(context.Background())) // the test's own context may have ended
	if err := b.store.Close(context.Background()); !errors.Is(err, history.ErrClosed) {
		assert.NoError(b.t, err)
	}
}

// run feeds the invented rise up to a time after the start, every 10 s unless
// the bench says otherwise.
func (b *bench) run(until time.Duration) {
	every := cmp.Or(b.every, 10*time.Second)
	for now := b.clock.Now().Add(every); !now.After(b.start.Add(until)); now = now.Add(every) {
		b.clock.Set(now)
		noise := 0.4 * math.Sin(float64(now.Unix())) // stands for noise, the same every time
		b.app.Observe("tub", estimator.Sample{Time: now, DistanceMM: 240 - 60*(1+invented(time.Duration(float64(now.Sub(b.start))/cmp.Or(b.slow, 1)))/100) + noise, DoughC: 24.5, AirC: 23.5})
		b.app.Advance(now)
	}
}

// do tells what a person did.
func (b *bench) do(e bake.Event) {
	b.t.Helper()
	e.Vessel, e.By = "tub", "test"
	require.NoError(b.t, b.app.Do(b.t.Context(), e))
}

// undo takes an event back.
func (b *bench) undo(riseID, id int64) {
	b.t.Helper()
	require.NoError(b.t, b.app.Undo(b.t.Context(), "tub", riseID, id))
}

// refused tells what must be refused and returns why.
func (b *bench) refused(e bake.Event) string {
	b.t.Helper()
	e.Vessel, e.By = "tub", "test"
	return why(b.t, b.app.Do(b.t.Context(), e))
}

func (b *bench) vessel() web.Vessel { return b.app.Snapshot().Vessels[0] }

func stepOf(t *testing.T, b *bench, id string) bake.Step {
	t.Helper()
	for _, s := range b.vessel().Steps {
		if s.ID == id {
			return s
		}
	}
	require.Failf(t, "step missing", "%s", id)
	return bake.Step{}
}

// TestJudgingIsTakenBack: notes add up, a judgement takes the place of the former,
// and each can be taken back: of the rise under way, of one that ended and of a vessel
// that is gone.
func TestJudgingIsTakenBack(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	ctx := t.Context()
	b.run(time.Hour)
	id := b.vessel().RiseID
	b.do(bake.Event{Kind: bake.EventNote, Detail: bake.Detail{Note: "by the stove"}})
	b.do(bake.Event{Kind: bake.EventNote, RiseID: id, Detail: bake.Detail{Note: "lid off"}})
	events := b.vessel().Events
	require.Len(t, events, 3, "the start, by itself, and two notes")
	assert.Equal(t, "by the stove", events[1].Note)
	note := func() string {
		r, err := b.store.Rise(ctx, id)
		require.NoError(t, err)
		return r.Note
	}
	assert.Equal(t, "by the stove\nlid off", note())
	b.undo(id, events[1].ID)
	assert.Equal(t, "lid off", note())
	b.undo(0, 0)
	assert.Empty(t, note())
	assert.Len(t, b.vessel().Events, 1)
	assert.Contains(t, b.refused(bake.Event{Kind: bake.EventNote, Detail: bake.Detail{Note: strings.Repeat("x", 4001)}}), "longer than 4000")

	b.do(bake.Event{Kind: bake.EventJudged, RiseID: id, Detail: bake.Detail{Outcome: "under", Note: "pale"}})
	b.do(bake.Event{Kind: bake.EventEnd})
	b.do(bake.Event{Kind: bake.EventJudged, RiseID: id, Detail: bake.Detail{Outcome: "right"}})
	acts, err := b.store.Events(ctx, id)
	require.NoError(t, err)
	last := acts[len(acts)-1]
	require.Equal(t, bake.EventJudged, last.Kind)
	b.undo(id, last.ID)
	r, err := b.store.Rise(ctx, id)
	require.NoError(t, err)
	assert.Equal(t, "under", r.Outcome)
	assert.Equal(t, "pale", r.Note)
	assert.False(t, r.UnderWay(), "taking a judgement back opens nothing again")
	refusedWith(t, b.app.Undo(ctx, "tub", id, last.ID), "taken back already")

	old := bake.Rise{Vessel: "crock", Holds: estimator.Dough, StartedAt: b.start.AddDate(-1, 0, 0)}
	old.ID, err = b.store.BeginRise(ctx, old, nil)
	require.NoError(t, err)
	require.NoError(t, b.app.Do(ctx, bake.Event{Kind: bake.EventJudged, Vessel: "crock", RiseID: old.ID, Detail: bake.Detail{Outcome: "over"}}))
	acts, err = b.store.Events(ctx, old.ID)
	require.NoError(t, err)
	require.NoError(t, b.app.Undo(ctx, "crock", old.ID, acts[0].ID))
	r, err = b.store.Rise(ctx, old.ID)
	require.NoError(t, err)
	assert.Empty(t, r.Outcome)
}

// TestTheBatchOfAStart: without a word a rise is of the vessel's own batch and
// follows its steps; another name, or none, means another dough.
func TestTheBatchOfAStart(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Minute)
	start := func(name string) (bake.Rise, web.Vessel) {
		b.do(bake.Event{Kind: bake.EventStart, Detail: bake.Detail{Batch: name}})
		b.run(b.clock.Now().Sub(b.start) + time.Minute)
		r, err := b.store.Rise(t.Context(), b.vessel().RiseID)
		require.NoError(t, err)
		return r, b.vessel()
	}
	own := bake.DefaultBatch().Name
	r, v := start("")
	assert.Equal(t, own, past.BatchName(r))
	assert.NotEmpty(t, v.Steps)
	r, v = start(bake.NoBatch)
	assert.Nil(t, r.Batch)
	assert.Empty(t, v.Steps, "nobody said what is being baked")
	assert.Empty(t, v.Batch)
	r, v = start("neighbour's rye")
	assert.Equal(t, "neighbour's rye", past.BatchName(r))
	assert.Equal(t, "neighbour's rye", v.Batch)
	assert.Empty(t, v.Steps)
	r, v = start(own)
	assert.Equal(t, own, past.BatchName(r))
	assert.NotEmpty(t, v.Steps)
}

// TestARiseThatBeganByItselfIsTakenBack: on a fresh history the first valid height
// of a vessel that is not empty begins a rise. The page lists that as a start, and
// undo takes it back, before and after a restart.
func TestARiseThatBeganByItselfIsTakenBack(t *testing.T) {
	t.Parallel()
	for _, restarted := range []bool{false, true} {
		b := newBench(t)
		b.run(20 * time.Minute)
		if restarted {
			b = b.again()
			b.run(25 * time.Minute)
		}
		v := b.vessel()
		require.NotZero(t, v.RiseID)
		require.Len(t, v.Events, 1)
		assert.Equal(t, []any{v.Estimate.Started, bake.EventStart, bake.ByItself}, []any{v.Events[0].At, v.Events[0].Kind, v.Events[0].By})
		b.undo(0, 0)
		b.run(40 * time.Minute)
		assert.Zero(t, b.vessel().RiseID, "and none begins by itself again")
		page, err := b.store.Rises(t.Context(), history.Filter{Vessel: "tub", Limit: 1})
		require.NoError(t, err)
		assert.Empty(t, page.Rises)
		b.do(bake.Event{Kind: bake.EventStart})
		b.run(45 * time.Minute)
		assert.NotZero(t, b.vessel().RiseID)
		assert.Equal(t, "test", b.vessel().Events[0].By)
	}
}

// TestOutOfOrderIsAskedBack: what must have happened before an event is asked for, and
// nothing is taken in meanwhile.
func TestOutOfOrderIsAskedBack(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.clock.Set(b.start.Add(time.Hour))
	for _, x := range []struct {
		kind, asks bake.EventKind
		step       string
	}{
		{kind: bake.EventFold, asks: bake.EventStart},
		{kind: bake.EventShaped, asks: bake.EventStart},
		{kind: bake.EventLook, asks: bake.EventStart},
		{kind: bake.EventStart},
		{kind: bake.EventFold},
		{kind: bake.EventBegun, step: bake.BakeID, asks: bake.EventShaped},
		{kind: bake.EventBaked, asks: bake.EventShaped},
		{kind: bake.EventShaped},
		{kind: bake.EventBaked, asks: bake.EventBegun},
		{kind: bake.EventDone, step: bake.PreheatID},
		{kind: bake.EventBegun, step: bake.BakeID},
		{kind: bake.EventDone, step: bake.SliceID, asks: bake.EventBaked},
		{kind: bake.EventBaked},
		{kind: bake.EventDone, step: bake.SliceID},
	} {
		b.clock.Set(b.clock.Now().Add(10 * time.Minute))
		err := b.app.Do(t.Context(), bake.Event{Vessel: "tub", By: "test", Kind: x.kind, Detail: bake.Detail{StepID: x.step, SeenPercent: 20}})
		var no bake.Refusal
		if x.asks == "" {
			require.NoError(t, err, x.kind)
			continue
		}
		require.ErrorAs(t, err, &no, x.kind)
		require.NotNil(t, no.Ask, no.Why)
		assert.Equal(t, x.asks, no.Ask.Kind, x.kind)
		assert.True(t, no.Ask.At.Before(b.clock.Now()))
	}
	assert.Equal(t, bake.StatusDone, b.app.State("tub").Status)
}

// TestRefusalsSpeakTheHouseholdsLanguage: nothing that a household is refused, or told
// after a change, is worded here instead of in the catalogue.
func TestRefusalsSpeakTheHouseholdsLanguage(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	known, err := text.Load("de")
	require.NoError(t, err)
	found := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		body, err := os.ReadFile(name)
		require.NoError(t, err)
		assert.NotContains(t, string(body), "Refusal{Why:", name)
		for _, m := range regexp.MustCompile(`\b(?:Refuse|because)\("([a-z_]+)"`).FindAllStringSubmatch(string(body), -1) {
			found++
			assert.NotEmpty(t, known["refused."+m[1]], m[1])
		}
	}
	assert.Greater(t, found, 25)
	german := text.New(text.Locale{Language: "de"})
	for typed, says := range map[string]string{
		"holds: dough, batch: {flours: [{name: wheat, grams: 900}], water_g: 2000}":                  "das Wasser je Mehl, das des Sauerteigs mitgezählt, muss 35 bis 150 % sein, es ist 222,2 %",
		"holds: dough, batch: {flours: [{name: wheat, grams: 900}], water_g: 600, bake_in: sock}":    `gefunden "sock"`,
		"holds: dough, batch: {flours: [{name: wheat, grams: 900}], water_g: 600, inclusions: [{}]}": "ein Name wird gebraucht",
		"holds: starter, feed: {starter_g: 1, flour_g: 500, water_g: 1}":                             "502-fach verdünnt",
	} {
		_, err := config.Parse("kitchen.yaml", []byte("vessels: [{name: tub, profile: {shape: straight, diameter_mm: 200, height_mm: 150}, floor_mm: 240, "+typed+"}]"), config.WithoutSensors)
		var problems config.Problems
		require.ErrorAs(t, err, &problems)
		said := ""
		for _, s := range problems.ByField(config.Sheet{}, german) {
			said += s
		}
		assert.Contains(t, said, says)
	}
}

// changedConfig is the bench's configuration with one text put for another.
func changedConfig(t *testing.T, b *bench, old, fresh string) *config.Config {
	t.Helper()
	text := strings.Replace(benchConfig, old, fresh, 1)
	require.NotEqual(t, benchConfig, text, "the row changes nothing")
	cfg, err := config.Parse("bench.yaml", []byte(text), config.WithoutSensors)
	require.NoError(t, err)
	for i := range cfg.Vessels {
		cfg.Vessels[i].Batch = b.app.opt.Config.Vessels[0].Batch
	}
	return cfg
}

// TestReloadTellsWhatNeedsARestart has a row for every part of the file.
func TestReloadTellsWhatNeedsARestart(t *testing.T) {
	t.Parallel()
	const floor = "    floor_mm: 240\n"
	b := newBench(t)
	for _, c := range []struct {
		name, old, fresh string
		want             bool
	}{
		{"mark", floor, floor + "    target_percent: 80\n", false},
		{"lead", floor, floor + "    lead: 45m\n", false},
		{"floor", "240", "260", false},
		{"shape", "180", "190", false},
		{"lost after", floor, floor + "    lost_after: 9m\n", true},
		{"mark by temperature", floor, floor + "    target_by_dough_c: [[20, 100], [25, 75]]\n", true},
		{"household", "UTC", "Europe/Vienna", true},
		{"page", "household:", "web: {listen: \"127.0.0.1:9999\"}\nhousehold:", true},
		{"state", "household:", "state_dir: /tmp/x\nhousehold:", true},
		{"sensors", "household:", "sysfs: /tmp/y\nhousehold:", true},
		{"how often", "household:", "sample_every: 20s\nhousehold:", true},
		{"heartbeat", "household:", "heartbeat_url: http://h/\nhousehold:", true},
		{"channel", "household:", "channels: [{name: c, kind: topic, url: \"http://h\", topic: t}]\nhousehold:", true},
		{"another name", "name: tub", "name: jar", true},
	} {
		assert.Equal(t, c.want, b.app.Reload(changedConfig(t, b, c.old, c.fresh)), c.name)
	}
}

// TestReloadTakesMarkAndLeadOver changes both in mid-rise; the new mark outlives
// a restart and gives way to one that is chosen by hand.
func TestReloadTakesMarkAndLeadOver(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	assert.False(t, b.app.Reload(changedConfig(t, b, "    floor_mm", "    target_percent: 80\n    lead: 45m\n    floor_mm")))
	b.run(61 * time.Minute)
	v := b.vessel()
	assert.Equal(t, 80.0, v.Estimate.TargetPercent)
	assert.Equal(t, 45*time.Minute, v.Lead)
	r, err := b.store.Rise(t.Context(), v.RiseID)
	require.NoError(t, err)
	assert.Equal(t, 80.0, r.TargetPercent)
	b.do(bake.Event{Kind: bake.EventTarget, Detail: bake.Detail{TargetPercent: 60}})
	b.undo(0, 0)
	b.run(62 * time.Minute)
	assert.Equal(t, 80.0, b.vessel().Estimate.TargetPercent, "undo puts back what stood before, not the default")
}

// TestReloadTakesMeasuresOver changes the floor in mid-rise: the rise is folded again
// with it, says so, and so is the next one.
func TestReloadTakesMeasuresOver(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	id, volume := b.vessel().RiseID, b.vessel().Estimate.VolumeL
	require.NotZero(t, id)
	assert.False(t, b.app.Reload(changedConfig(t, b, "240", "260")))
	b.run(61 * time.Minute)
	assert.Equal(t, id, b.vessel().RiseID)
	const moreL = 20 * 3.14159 * 90 * 90 / 1e6 // 20 mm of the bench's tub
	assert.InDelta(t, volume+moreL, b.vessel().Estimate.VolumeL, 0.05)
	events := b.vessel().Events
	assert.Equal(t, bake.EventMeasured, events[len(events)-1].Kind)
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(63 * time.Minute)
	assert.Zero(t, b.vessel().RiseID, "the next rise waits for a person")
	b.do(bake.Event{Kind: bake.EventStart})
	b.run(80 * time.Minute)
	assert.InDelta(t, volume+moreL, b.vessel().Estimate.VolumeL, 0.15)

	b = newBench(t)
	assert.False(t, b.app.Reload(changedConfig(t, b, "240", "260")), "before the first rise")
	b.run(time.Hour)
	assert.InDelta(t, volume+moreL, b.vessel().Estimate.VolumeL, 0.15, "which begins by itself as before")
}
