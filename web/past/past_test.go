package past

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web/chart"
)

// update is shared by all packages under web, so that one command rewrites all
// golden files; there are none here.
var _ = flag.Bool("update", false, "rewrite the golden files")

var start = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// rise is an invented dough that reached its mark.
func rise() bake.Rise {
	nan := math.NaN()
	return bake.Rise{ID: 1, Vessel: "tub", Holds: estimator.Dough, StartedAt: start, EndedAt: start.Add(7 * time.Hour), ReachedAt: start.Add(6*time.Hour + 20*time.Minute),
		TargetPercent: 100, MeanDoughC: 24.5, PeakPercent: 112, PeakAt: start.Add(7 * time.Hour), MaxRate: 29, BaselineL: 1.4,
		EquivHours: 7.2, PeakEquivHours: nan, ReachedEquivHours: 6.5, Judgement: bake.Judgement{Outcome: "right", Note: "good"},
		Batch: []byte(`{"name":"wheat","flours":[{"name":"bread flour","grams":900}],"water_g":600,"levain":{"grams":200,"hydration_percent":100},"salt_g":20}`)}
}

func TestSentence(t *testing.T) {
	h := text.New(text.Locale{})
	r := rise()
	assert.Equal(t, "Reached the mark of 100\u00a0% after 6 h 20 min. 24.5\u00a0°C on average. Result: right.", Sentence(r, h))
	r.ReachedAt, r.Outcome = time.Time{}, ""
	assert.Equal(t, "Did not reach the mark of 100\u00a0%; its highest level was 112\u00a0%. 24.5\u00a0°C on average.", Sentence(r, h))
	r.PeakPercent, r.MeanDoughC = math.NaN(), math.NaN()
	assert.Equal(t, "Ended before a level was known.", Sentence(r, h))
	r.EndedAt = time.Time{}
	assert.Equal(t, "Still under way.", Sentence(r, h))
}

// TestFacts: inoculation is fermented flour over all flour: 100 g in the levain
// (200 g at 100 %) over 1,000 g (worked by hand).
func TestFacts(t *testing.T) {
	got := map[string]string{}
	for _, f := range Facts(rise(), text.New(text.Locale{Fahrenheit: true})) {
		got[f.Name] = f.Value
	}
	for name, want := range map[string]string{"Inoculation": "10.0 %", "Mean dough temperature": "76.1\u00a0°F", "Time to the mark": "6 h 20 min",
		"Time past the mark": "40 min", "Time to the mark, as if at 75\u00a0°F": "6.5 h", "Time to the highest level, as if at 75\u00a0°F": "", "Batch": "wheat", "Expected ceiling": ""} {
		assert.Equal(t, want, got[name], name)
	}
}

func TestDifferences(t *testing.T) {
	a, b := rise(), rise()
	b.MeanDoughC, b.Outcome, b.Batch = 21, "under", nil
	got := map[string][]string{}
	for _, d := range Differences([]bake.Rise{a, b}, text.New(text.Locale{})) {
		got[d.Name] = d.Values
	}
	assert.Equal(t, []string{"24.5\u00a0°C", "21.0\u00a0°C"}, got["Mean dough temperature"])
	assert.Equal(t, []string{"10.0 %", "–"}, got["Inoculation"])
	assert.Equal(t, []string{"wheat", "–"}, got["Batch"])
	assert.Equal(t, []string{"right", "underproofed"}, got["Outcome"])
	assert.NotContains(t, got, "Mark", "the same in both")
	assert.Empty(t, Differences([]bake.Rise{a, a}, text.New(text.Locale{})))
	assert.Empty(t, Differences(nil, text.New(text.Locale{})))
}

// TestCSVReadsBack: whatever the samples, the file has nine cells a line and
// the numbers come back to the thousandth.
func TestCSVReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.OneOf(rapid.Just(math.NaN()), rapid.Float64Range(-1e4, 1e4)).Draw(t, "v")
		reason := rapid.String().Draw(t, "reason")
		var b bytes.Buffer
		if err := WriteCSV(&b, []bake.Recorded{{Time: start, RisePercent: v, Rejected: reason}}, time.UTC); err != nil {
			t.Fatal(err)
		}
		lines, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(lines) != 2 || len(lines[1]) != 9 {
			t.Fatalf("%v %q", err, lines)
		}
		if want := Cell(v); lines[1][5] != want {
			t.Fatalf("%q is not %q", lines[1][5], want)
		}
		if c := lines[1][8]; c != "" && strings.ContainsRune("=+-@", rune(c[0])) {
			t.Fatalf("%q could be a formula", c)
		}
	})
}

func TestJSONExportIsOneDocument(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, WriteJSON(&b, rise(), []bake.Recorded{{Time: start, RisePercent: 1.23456}, {Time: start.Add(time.Second), RisePercent: math.NaN()}}, time.UTC))
	var got struct {
		Rise    struct{ Vessel string }
		Samples []struct {
			RisePercent *float64 `json:"rise_percent"`
		}
	}
	require.NoError(t, json.Unmarshal(b.Bytes(), &got))
	assert.Equal(t, "tub", got.Rise.Vessel)
	require.Len(t, got.Samples, 2)
	assert.InDelta(t, 1.235, *got.Samples[0].RisePercent, 1e-9)
	assert.Nil(t, got.Samples[1].RisePercent)
}

// feedings are n invented weekly feedings with a slope in hours a week.
func feedings(n int, slope float64) []bake.Rise {
	var out []bake.Rise
	for i := range n {
		at := start.AddDate(0, 0, 7*i)
		out = append(out, bake.Rise{ID: int64(i + 1), Vessel: "jar", Holds: estimator.Starter, StartedAt: at, PeakAt: at.Add(8 * time.Hour),
			EndedAt: at.Add(10 * time.Hour), PeakEquivHours: 8 + slope*float64(i), PeakPercent: 150})
	}
	return out
}

func TestStarters(t *testing.T) {
	got := Starters(append(feedings(9, -0.5), rise()), text.New(text.Locale{}))
	require.Len(t, got, 1, "dough is no starter")
	assert.Len(t, got[0].Feedings, 9)
	assert.Equal(t, Feeding{1, "Sat 14 Mar 2026", "8.0 h", "150 %"}, got[0].Feedings[0])
	assert.Equal(t, []string{"Time to the peak: shrinks by 0.50 h a week (19 in 20: 0.50 to 0.50 h, from 9 feedings).",
		"Height of the peak: no clear trend in 9 feedings (middle 150 %)."}, got[0].Trends)
	assert.Contains(t, Starters(feedings(3, 1), text.New(text.Locale{}))[0].Trends[0], "no clear trend in 3 feedings")
	assert.Empty(t, Starters([]bake.Rise{rise()}, text.New(text.Locale{})))
}

// judged are n invented rises with an outcome at a mean temperature.
func judged(n int, outcome string, c float64) []bake.Rise {
	var out []bake.Rise
	for i := range n {
		r := rise()
		r.Outcome, r.MeanDoughC, r.StartedAt = outcome, c+0.1*float64(i%3), start.AddDate(0, 0, i)
		r.ReachedAt, r.EndedAt = r.StartedAt.Add(6*time.Hour), r.StartedAt.Add(7*time.Hour)
		out = append(out, r)
	}
	return out
}

func TestJudged(t *testing.T) {
	h := text.New(text.Locale{})
	assert.Empty(t, JudgedOf(judged(3, "right", 24), h).Lines, "one outcome has nothing to differ from")
	got := JudgedOf(append(judged(3, "right", 24), judged(2, "under", 20)...), h)
	assert.Equal(t, []string{"underproofed (2)", "right (3)", "overproofed (0)"}, got.Columns)
	require.NotEmpty(t, got.Lines)
	assert.Equal(t, Difference{"Mean dough temperature", []string{"20.1\u00a0°C", "24.1\u00a0°C", "–"}, true}, got.Lines[0])
}

func TestChartOfARise(t *testing.T) {
	var rows []bake.Recorded
	for i := range 60 {
		rows = append(rows, bake.Recorded{Time: start.Add(time.Duration(i) * time.Minute), DistanceMM: 200 - float64(i)/2, RisePercent: float64(i)})
	}
	rows[30].Rejected, rows[30].DistanceMM = "jump", 160
	acts := []bake.Event{{At: start, Kind: "start"}, {At: start.Add(time.Minute), Kind: "fold"}, {At: start.Add(2 * time.Minute), Kind: "fold", UndoneAt: start.Add(time.Hour)}, {At: start, Kind: "ack"}}
	c := Chart(Record{rise(), rows, acts}, text.New(text.Locale{}))
	assert.Len(t, c.Samples, 60)
	assert.True(t, c.Samples[30].Rejected)
	assert.InDelta(t, 80, c.Samples[30].RisePercent, 1e-9, "160 mm would have meant 80 %")
	require.Len(t, c.Events, 2)
	assert.Equal(t, "fold", c.Events[1].Word)
	assert.Equal(t, "doubled", c.Mark.Name)
}

// TestEventsWithoutActs: an import has no acts; its samples tell.
func TestEventsWithoutActs(t *testing.T) {
	rec := Record{Rise: rise()}
	for i := range 12 {
		rec.Rows = append(rec.Rows, bake.Recorded{Time: start.Add(time.Duration(i) * time.Minute), Event: estimator.Fold})
	}
	rec.Rows = append(rec.Rows, bake.Recorded{Time: start.Add(time.Hour), Event: estimator.End})
	got := Events(rec, text.New(text.Locale{}))
	require.Len(t, got, 12, "an end is the end of the line")
	assert.Equal(t, "fold", got[11].Word)
}

func TestHoldings(t *testing.T) {
	sum := history.Summary{Rises: 1, Samples: 2, Bytes: 240_001, First: start, Last: start.AddDate(0, 0, 3)}
	assert.Equal(t, "1 rise, 2 samples, 0.2 MB, from Sat 14 Mar 2026 to Tue 17 Mar 2026", Holdings(sum, text.New(text.Locale{})))
	assert.Equal(t, "0 rises, 1 sample, 104.4 MB", Holdings(history.Summary{Samples: 1, Bytes: 104_400_000}, text.New(text.Locale{})))
}

func TestMarkHasTheTradesWord(t *testing.T) {
	for percent, want := range map[float64]string{100: "verdoppelt", 200: "verdreifacht", 80: "Ziel"} {
		assert.Equal(t, want, Mark(percent, text.New(text.Locale{Language: "de"})).Name, percent)
	}
}

func TestOverlayByEquivalentTime(t *testing.T) {
	a, b := rise(), rise()
	b.TargetPercent = 80
	row := bake.Recorded{Time: start.Add(2 * time.Hour), RisePercent: 50, EquivHours: 3}
	bad := bake.Recorded{Time: start.Add(3 * time.Hour), RisePercent: 90, Rejected: "jump"}
	o := Overlay([]Record{{Rise: a, Rows: []bake.Recorded{row, bad}}}, false, text.New(text.Locale{}))
	require.Len(t, o.Lines[0], 1)
	assert.Equal(t, 2*time.Hour, o.Lines[0][0].Time.Sub(chart.Origin()))
	assert.EqualValues(t, 100, o.Mark.Percent)
	o = Overlay([]Record{{Rise: a, Rows: []bake.Recorded{row}}, {Rise: b}}, true, text.New(text.Locale{}))
	assert.Equal(t, 3*time.Hour, o.Lines[0][0].Time.Sub(chart.Origin()))
	assert.Zero(t, o.Mark.Percent, "different marks have no common line")
}
