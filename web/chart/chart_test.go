package chart

import (
	"bytes"
	"flag"
	"image"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/alert/text"
	"tidemark/estimator"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func berlin(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	return zone
}

// invented is a rise of our own invention: a logistic curve, two folds, a
// fridge stay, some readings that were not believed and a gap.
func invented(t testing.TB) Chart {
	zone := berlin(t)
	start := time.Date(2026, 3, 14, 12, 0, 0, 0, zone)
	rise := func(h float64) float64 { return 130 / (1 + math.Exp(-(h-5)/1.1)) * 1.0 }
	c := Chart{ID: "tub", Title: "Tub, an invented rise", Alt: "In words.", Locale: text.New(text.Locale{Zone: zone}), Mark: Mark{100, "doubled"},
		Now: start.Add(5*time.Hour + 20*time.Minute)}
	for m := 0; m <= 320; m += 2 {
		if m > 140 && m < 175 {
			continue
		}
		h := float64(m) / 60
		s := Sample{Time: start.Add(time.Duration(m) * time.Minute), RisePercent: rise(h) - rise(0),
			SD: 1.5, DoughC: 24.2 + 0.5*math.Sin(h), AirC: 21.5 + 0.3*math.Cos(h)}
		if m%50 == 40 {
			s.Rejected, s.RisePercent = true, s.RisePercent+22
		}
		c.Samples = append(c.Samples, s)
	}
	for m := 0; m <= 300; m += 10 {
		at := c.Now.Add(time.Duration(m) * time.Minute)
		mid := rise(at.Sub(start).Hours()) - rise(0)
		spread := 1.5 + float64(m)*0.08
		c.Fan = append(c.Fan, estimator.FanPoint{Time: at, P10Percent: mid - spread, P50Percent: mid, P90Percent: mid + spread})
	}
	c.Ready = estimator.Window{From: start.Add(6*time.Hour + 5*time.Minute), Median: start.Add(6*time.Hour + 20*time.Minute),
		Until: start.Add(6*time.Hour + 45*time.Minute)}
	c.Events = []Event{{start, "start"}, {start.Add(time.Hour), "fold 1"}, {start.Add(100 * time.Minute), "fold 2"}}
	return c
}

// cases are the charts of the golden files.
func cases(t testing.TB) map[string]Chart {
	wide := invented(t)
	wide.Width, wide.Height = WideWidth, WideHeight
	narrow := invented(t)
	narrow.Width, narrow.Height = NarrowWidth, NarrowHeight
	push := invented(t)
	push.Width, push.Height = PushWidth, PushHeight
	push.Locale = text.New(text.Locale{Zone: push.Locale.Locale().Zone, Clock12: true, Fahrenheit: true})
	overnight := invented(t)
	overnight.Title, overnight.Now, overnight.Fan = "Basket in the fridge, invented", time.Time{}, nil
	overnight.Ready = estimator.Window{}
	for i := range overnight.Samples {
		s := &overnight.Samples[i]
		s.Time = overnight.Samples[0].Time.Add(time.Duration(i) * 12 * time.Minute)
	}
	overnight.Events = append(overnight.Events, Event{overnight.Samples[40].Time, "fridge"})
	empty := Chart{Title: "Nothing yet", Mark: Mark{100, "doubled"}, Now: wide.Now, Locale: wide.Locale}
	return map[string]Chart{"wide": wide, "narrow": narrow, "push": push, "overnight": overnight, "empty": empty}
}

func TestSVGGolden(t *testing.T) {
	for name, c := range cases(t) {
		for form, suffix := range map[Form]string{Inline: "-inline.svg", Standalone: ".svg"} {
			var b bytes.Buffer
			require.NoError(t, SVG(&b, c, form))
			golden(t, name+suffix, b.Bytes())
		}
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to write the golden file")
	assert.Equal(t, string(want), string(got), name)
}

// TestPNGGolden compares pixels, with room for the last digit of the
// rasterizer, whose assembly differs between processors.
func TestPNGGolden(t *testing.T) {
	for name, c := range cases(t) {
		var b bytes.Buffer
		require.NoError(t, PNG(&b, c))
		path := filepath.Join("testdata", name+".png")
		if *update {
			require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
		}
		f, err := os.ReadFile(path)
		require.NoError(t, err, "run the test with -update to write the golden file")
		want, err := png.Decode(bytes.NewReader(f))
		require.NoError(t, err)
		got, err := png.Decode(&b)
		require.NoError(t, err)
		require.Equal(t, want.Bounds(), got.Bounds())
		assert.Less(t, differing(want, got), 50, "%s: pixels that differ visibly", name)
	}
}

func differing(a, b image.Image) int {
	n := 0
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			ar, ag, ab, _ := a.At(x, y).RGBA()
			br, bg, bb, _ := b.At(x, y).RGBA()
			if gap(ar, br) > 0x0800 || gap(ag, bg) > 0x0800 || gap(ab, bb) > 0x0800 {
				n++
			}
		}
	}
	return n
}

func gap(a, b uint32) uint32 {
	if a > b {
		return a - b
	}
	return b - a
}

func TestPushPictureIsSmall(t *testing.T) {
	c := cases(t)["push"]
	var b bytes.Buffer
	require.NoError(t, PNG(&b, c))
	assert.LessOrEqual(t, b.Len(), 60_000)
}

func TestSameModelSameBytes(t *testing.T) {
	var a, b bytes.Buffer
	require.NoError(t, PNG(&a, invented(t)))
	require.NoError(t, PNG(&b, invented(t)))
	assert.Equal(t, a.Bytes(), b.Bytes())
}

func TestStandaloneSVGStylesEveryClass(t *testing.T) {
	for name, c := range cases(t) {
		var b bytes.Buffer
		require.NoError(t, SVG(&b, c, Standalone))
		_, rest, ok := strings.Cut(b.String(), "</style>")
		require.True(t, ok, name)
		for _, piece := range strings.Split(rest, `class="`)[1:] {
			class, _, _ := strings.Cut(piece, `"`)
			assert.Contains(t, b.String(), "."+class+"{", "%s: class without a style", name)
		}
	}
}

func TestGapBreaksTheLine(t *testing.T) {
	l := newLayout(invented(t).withDefaults())
	assert.Len(t, l.runs(l.c.Samples, Sample.believed, l.gap(), thin), 2, "35 minutes without a reading cut the line in two")
}

func TestTitlesAreEscaped(t *testing.T) {
	c := invented(t)
	c.Title, c.ID = `<script>x</script>`, `"><script>`
	c.Events = []Event{{c.Samples[3].Time, `</text><script>`}}
	var b bytes.Buffer
	require.NoError(t, SVG(&b, c, Inline))
	assert.NotContains(t, b.String(), "<script")
}

func TestTimeTicksFollowTheCalendar(t *testing.T) {
	zone := berlin(t)
	// The clocks go forward on 29 March 2026 at 02:00 and back on 25 October
	// 2026 at 03:00 (EU directive 2000/84/EC: last Sundays of March, October).
	for name, tc := range map[string]struct {
		day  time.Time
		want []string
	}{
		"short day": {time.Date(2026, 3, 29, 0, 0, 0, 0, zone), []string{"00:00", "01:00", "03:00", "04:00", "05:00"}},
		"long day":  {time.Date(2026, 10, 25, 0, 0, 0, 0, zone), []string{"00:00", "01:00", "02:00", "03:00", "04:00", "05:00"}},
	} {
		until := time.Date(tc.day.Year(), tc.day.Month(), tc.day.Day(), 5, 0, 0, 0, zone)
		var got []string
		for _, tk := range timeTicks(tc.day, until, zone, 400./58) {
			got = append(got, tk.In(zone).Format("15:04"))
		}
		assert.Equal(t, tc.want, got, name)
	}
}

func TestNightsAreClippedToTheChart(t *testing.T) {
	zone := berlin(t)
	from, until := time.Date(2026, 3, 14, 23, 0, 0, 0, zone), time.Date(2026, 3, 15, 23, 0, 0, 0, zone)
	got := nights(from, until, zone)
	require.Len(t, got, 2)
	assert.True(t, got[0][0].Equal(from))
	assert.True(t, got[0][1].Equal(time.Date(2026, 3, 15, 6, 0, 0, 0, zone)))
	assert.True(t, got[1][0].Equal(time.Date(2026, 3, 15, 22, 0, 0, 0, zone)))
	assert.True(t, got[1][1].Equal(until))
}

func TestTicksAreRoundAndInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-50, 100).Draw(t, "lo")
		hi := lo + rapid.Float64Range(1, 500).Draw(t, "span")
		got := ticks(lo, hi, 5)
		if len(got) > 6 {
			t.Fatalf("%d ticks between %g and %g", len(got), lo, hi)
		}
		for _, v := range got {
			if v < lo-1e-6 || v > hi+1e-6 {
				t.Fatalf("tick %g outside %g..%g", v, lo, hi)
			}
		}
	})
}

func TestNothingLeavesThePaper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
		c := Chart{Mark: Mark{rapid.Float64Range(-5, 400).Draw(t, "mark"), "x"}, Width: rapid.IntRange(200, 1200).Draw(t, "w"), Height: 400}
		values := rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(-90, 600), rapid.Just(math.NaN()), rapid.Just(math.Inf(1))), 0, 40).Draw(t, "rise")
		for i, v := range values {
			c.Samples = append(c.Samples, Sample{Time: start.Add(time.Duration(i) * time.Minute), RisePercent: v, SD: v, DoughC: v, AirC: v, Rejected: i%7 == 3})
			c.Fan = append(c.Fan, estimator.FanPoint{Time: start.Add(time.Duration(i) * time.Hour), P10Percent: v, P50Percent: v, P90Percent: v})
		}
		if rapid.Bool().Draw(t, "live") {
			c.Now = start.Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "now")) * time.Minute)
		}
		rec := &recorder{}
		c = c.withDefaults()
		newLayout(c).draw(rec)
		for _, p := range rec.pts {
			if !(p.x >= -0.01 && p.x <= float64(c.Width)+0.01 && p.y >= -0.01 && p.y <= float64(c.Height)+0.01) {
				t.Fatalf("point %v is off a paper of %d by %d", p, c.Width, c.Height)
			}
		}
	})
}

// recorder is a canvas that keeps every place something was drawn at.
type recorder struct{ pts []point }

func (r *recorder) line(_ style, p ...point)                  { r.pts = append(r.pts, p...) }
func (r *recorder) area(_ style, p []point)                   { r.pts = append(r.pts, p...) }
func (r *recorder) dots(_ style, _ float64, p []point)        { r.pts = append(r.pts, p...) }
func (r *recorder) text(_ style, p point, _ anchor, _ string) { r.pts = append(r.pts, p) }

func BenchmarkPushPNG(b *testing.B) {
	c := invented(b)
	c.Width, c.Height = PushWidth, PushHeight
	var buf bytes.Buffer
	for b.Loop() {
		buf.Reset()
		require.NoError(b, PNG(&buf, c))
	}
	b.ReportMetric(float64(buf.Len()), "bytes")
}

func TestLinesGolden(t *testing.T) {
	c := Chart{ID: "o", Title: "Rises compared, invented", Alt: "In words.", AxisWords: "hours since the start", Mark: Mark{100, "doubled"}, Width: NarrowWidth, Height: 330}
	for i := range 4 {
		var line []Sample
		for m := 0; m < 480; m += 3 {
			h := float64(m) / 60
			line = append(line, Sample{Time: Origin().Add(time.Duration(m) * time.Minute), RisePercent: 120 / (1 + math.Exp(-(h-4-float64(i)/2)/0.9))})
		}
		c.Lines = append(c.Lines, line)
	}
	var b bytes.Buffer
	require.NoError(t, SVG(&b, c, Standalone))
	golden(t, "lines.svg", b.Bytes())
}

// TestAGermanPictureIsGerman: days, words and numbers are the household's.
func TestAGermanPictureIsGerman(t *testing.T) {
	c := cases(t)["overnight"]
	c.Locale = text.New(text.Locale{Language: "de"})
	var b bytes.Buffer
	require.NoError(t, SVG(&b, c, Inline))
	for _, want := range []string{"Teig 2", ". März<"} {
		assert.Contains(t, b.String(), want)
	}
	assert.NotRegexp(t, `>[^<]*(Mon|Tue|Wed|Thu|Fri|Sat|Sun) `, b.String())
}
