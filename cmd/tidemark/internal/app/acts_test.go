package app

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
	"tidemark/web/past"
)

// TestJudgingIsTakenBack: notes add up, a judgement takes the place of the former,
// and each can be taken back: of the rise under way, of one that ended and of a vessel
// that is gone.
func TestJudgingIsTakenBack(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	ctx := t.Context()
	b.run(time.Hour)
	id := b.vessel().RiseID
	b.do(bake.EventNote, bake.Detail{Note: "by the stove"})
	b.do(bake.EventNote, bake.Detail{Note: "lid off"})
	assert.Equal(t, "by the stove\nlid off", b.riseOf(id).Note)
	b.undo(id, b.vessel().Events[1].ID)
	assert.Equal(t, "lid off", b.riseOf(id).Note)
	b.undo(0, 0)
	assert.Empty(t, b.riseOf(id).Note)
	assert.Len(t, b.vessel().Events, 1, "the start, by itself")
	refusedWith(t, b.tell(bake.EventNote, bake.Detail{Note: strings.Repeat("x", 4001)}), "longer than 4000")

	b.do(bake.EventJudged, bake.Detail{Outcome: "under", Note: "pale"})
	b.do(bake.EventEnd)
	old := bake.Rise{Vessel: "crock", Holds: estimator.Dough, StartedAt: b.start.AddDate(-1, 0, 0)}
	var err error
	old.ID, err = b.store.BeginRise(ctx, old, nil)
	require.NoError(t, err)
	for _, c := range []struct {
		vessel, want string
		id           int64
	}{{"tub", "under pale", id}, {"crock", " ", old.ID}} {
		require.NoError(t, b.app.Do(ctx, bake.Event{Kind: bake.EventJudged, Vessel: c.vessel, RiseID: c.id, Detail: bake.Detail{Outcome: "right"}}))
		assert.Equal(t, "right", b.riseOf(c.id).Outcome)
		acts, err := b.store.Events(ctx, c.id)
		require.NoError(t, err)
		last := acts[len(acts)-1].ID
		require.NoError(t, b.app.Undo(ctx, c.vessel, c.id, last))
		r := b.riseOf(c.id)
		assert.Equal(t, c.want, r.Outcome+" "+r.Note)
		refusedWith(t, b.app.Undo(ctx, c.vessel, c.id, last), "taken back")
	}
	assert.False(t, b.riseOf(id).UnderWay(), "taking a judgement back opens nothing again")
}

// TestTheBatchOfAStart: without a word a rise is of the vessel's own batch and
// follows its steps; another name, or none, means another dough.
func TestTheBatchOfAStart(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Minute)
	own := bake.DefaultBatch().Name
	for _, c := range []struct {
		told, kept, shown string
		steps             bool
	}{{"", own, own, true}, {bake.NoBatch, "", "", false}, {"neighbour's rye", "neighbour's rye", "neighbour's rye", false}, {own, own, own, true}} {
		b.do(bake.EventStart, bake.Detail{Batch: c.told})
		b.run(b.clock.Now().Sub(b.start) + time.Minute)
		v := b.vessel()
		assert.Equal(t, []any{c.kept, c.shown, c.steps}, []any{past.BatchName(b.riseOf(v.RiseID)), v.Batch, len(v.Steps) > 0}, "told %q", c.told)
	}
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
		b.do(bake.EventStart)
		b.run(45 * time.Minute)
		assert.NotZero(t, b.vessel().RiseID)
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
		err := b.tell(x.kind, bake.Detail{StepID: x.step, SeenPercent: 20})
		if x.asks == "" {
			require.NoError(t, err, x.kind)
			continue
		}
		var no bake.Refusal
		require.ErrorAs(t, err, &no, x.kind)
		require.NotNil(t, no.Ask, no.Why)
		assert.Equal(t, x.asks, no.Ask.Kind, x.kind)
		assert.True(t, no.Ask.At.Before(b.clock.Now()))
	}
	assert.Equal(t, bake.StatusDone, b.app.State("tub").Status)
}

// changedConfig is the bench's configuration with one text put for another.
func changedConfig(t *testing.T, b *bench, old, fresh string) *config.Config {
	t.Helper()
	text := strings.Replace(benchConfig, old, fresh, 1)
	require.NotEqual(t, benchConfig, text, "the row changes nothing")
	if !strings.Contains(text, "state_dir") {
		text = "state_dir: " + b.app.opt.Config.StateDir + "\n" + text
	}
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

// TestReloadCountsFromNowOn changes mark, lead and floor in mid-rise, and the floor before
// the first rise. The new mark gives way to one that is chosen by hand.
func TestReloadCountsFromNowOn(t *testing.T) {
	t.Parallel()
	b, other := newBench(t), newBench(t)
	assert.False(t, other.app.Reload(changedConfig(t, other, "240", "260")))
	b.run(time.Hour)
	volumeL := b.vessel().Estimate.VolumeL
	assert.False(t, b.app.Reload(changedConfig(t, b, "floor_mm: 240", "target_percent: 80\n    lead: 45m\n    floor_mm: 260")))
	for _, b := range []*bench{b, other} {
		b.run(61 * time.Minute)
		const moreL = 20 * math.Pi * 90 * 90 / 1e6 // 20 mm of the bench's tub
		assert.InDelta(t, volumeL+moreL, b.vessel().Estimate.VolumeL, 0.15, "the rise begins by itself with either")
	}
	mark := func(want float64) {
		b.run(b.clock.Now().Sub(b.start) + time.Minute)
		v := b.vessel()
		assert.Equal(t, []any{want, want, 45 * time.Minute}, []any{v.Estimate.TargetPercent, b.riseOf(v.RiseID).TargetPercent, v.Lead})
	}
	mark(80)
	b.do(bake.EventTarget, bake.Detail{TargetPercent: 60})
	mark(60)
	b.undo(0, 0)
	mark(80) // what stood before, not the default
}

// TestImportRecordFromThePage: a record of a vessel that is described becomes a
// rise with its percent, one of another vessel keeps its readings, and what is refused
// names its line.
func TestImportRecordFromThePage(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	for _, c := range []struct {
		vessel string
		holds  estimator.Holds
		text   string // empty for the record of the tests
		says   string // empty for a rise
	}{
		{vessel: "tub"},
		{vessel: "tub", says: "tub was watched at that time already"},
		{vessel: "crock", says: "say whether it held dough or starter"},
		{vessel: "crock", holds: estimator.Dough},
		{vessel: "tub", text: "noon,1,2,3,\n", says: "r.csv:2:1"},
		{vessel: "tub", text: "2026-03-14T10:00:00Z,,20,,\n", says: "holds no rise"},
		{vessel: "tub", text: "2026-03-14T10:00:00Z,100,,,start\n2026-03-14T11:00:00Z,99,,,start\n", says: "r.csv:3: a second start"},
	} {
		file := "../../../../testdata/records/invented-tub.csv"
		if c.text != "" {
			file = t.TempDir() + "/x.csv"
			put(t, file, "time,distance_mm,dough_c,air_c,event\n"+c.text)
		}
		in, err := b.app.ImportRecord(t.Context(), web.Record{File: file, Name: "r.csv", Vessel: c.vessel, Holds: c.holds})
		if c.says != "" {
			refusedWith(t, err, c.says)
			continue
		}
		require.NoError(t, err)
		described, r := c.vessel == "tub", b.riseOf(in.RiseID)
		assert.Equal(t, []bool{described, described, true}, []bool{in.Shape, r.PeakPercent > 0, r.Imported})
	}
}
