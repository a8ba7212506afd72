package page

import (
	"bytes"
	"math"
	"net/http/httptest"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
	"tidemark/estimator"
	"tidemark/web"
	"tidemark/web/metrics"
)

// scrape asks for the metrics of the kitchen.
func scrape(t testing.TB, live web.Live, process bool) string {
	t.Helper()
	h, err := metrics.New(live, metrics.Options{Process: process})
	require.NoError(t, err)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	require.Equal(t, 200, w.Code, w.Body.String())
	return w.Body.String()
}

// value finds the number at the end of a line.
var value = regexp.MustCompile(`(?m)^([^#].*) \S+$`)

// TestMetricsGolden keeps the families with their help and labels; promtool and its
// linter are content with them.
func TestMetricsGolden(t *testing.T) {
	t.Parallel()
	k := risen(t, berliners, true)
	read := edited{k.app, func(s *web.Snapshot) { // a stepped App reads no sensors of its own
		for i := range s.Vessels {
			s.Vessels[i].Sensors = []web.SensorHealth{{Sensor: "height", Quantity: "distance", Status: "ok", LastOK: k.clock.Now(), ReadSeconds: 0.03, Readings: map[string]uint64{"ok": 4128}, Restarts: 1}}
		}
	}}
	got := scrape(t, read, false)
	golden(t, "metrics.txt", value.ReplaceAllString(got, "$1"))
	problems, err := promlint.New(strings.NewReader(got)).Lint()
	require.NoError(t, err)
	assert.Empty(t, problems)
	assert.NotContains(t, got, " NaN\n", "what is not known is absent")
	for _, name := range []string{"dough_celsius", "rise_ratio", "ready_timestamp_seconds"} {
		assert.NotContains(t, got, "tidemark_"+name+`{vessel="basket"}`)
	}
}

func TestPromtoolIsContent(t *testing.T) {
	t.Parallel()
	cmd := exec.Command(outsidetest.Program(t, "prometheus", "promtool"), "check", "metrics")
	cmd.Stdin = strings.NewReader(scrape(t, risen(t, berliners, true).app, false))
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	require.NoError(t, cmd.Run(), out.String())
	assert.Empty(t, out.String())
}

// TestMetricsAreInBaseUnits holds values against the State: ratios for percent, seconds
// for hours, metres for millimetres. Sets of states have one member.
func TestMetricsAreInBaseUnits(t *testing.T) {
	t.Parallel()
	k := risen(t, berliners, true)
	p := expfmt.NewTextParser(model.UTF8Validation)
	fams, err := p.TextToMetricFamilies(strings.NewReader(scrape(t, k.app, false)))
	require.NoError(t, err)
	ofTub := func(name string) float64 {
		for _, m := range fams["tidemark_"+name].GetMetric() {
			if len(m.GetLabel()) == 1 && m.GetLabel()[0].GetValue() == "tub" {
				return m.GetGauge().GetValue()
			}
		}
		return math.NaN()
	}
	e := k.app.State("tub").Estimate
	for name, want := range map[string]float64{"rise_ratio": e.RisePercent / 100, "rise_ratio_per_second": e.RatePercentPerHour / 100 / 3600,
		"level_meters": e.LevelMM / 1000, "target_ratio": 1, "dough_celsius": 24.6, "ready_timestamp_seconds": float64(e.Ready.Median.UnixMilli()) / 1000} {
		assert.InEpsilon(t, want, ofTub(name), 1e-9, name)
	}
	for _, name := range []string{"tidemark_phase", "tidemark_quality"} {
		sum := map[string]float64{}
		for _, m := range fams[name].GetMetric() {
			for _, l := range m.GetLabel() {
				if l.GetName() == "vessel" {
					sum[l.GetValue()] += m.GetGauge().GetValue()
				}
			}
		}
		assert.Equal(t, map[string]float64{"tub": 1, "jar": 1, "basket": 1}, sum, name)
	}
}

// TestCountersExistBeforeTheyCount: a counter that comes up with its first
// event hides that event from a rate (prometheus.io/docs/practices/instrumentation,
// avoid missing metrics).
func TestCountersExistBeforeTheyCount(t *testing.T) {
	t.Parallel()
	_, k := idle(t, nil)
	got := scrape(t, edited{k.app, func(s *web.Snapshot) {
		s.Vessels[2].Sensors = []web.SensorHealth{{Sensor: "height", Quantity: "distance", Status: "ok", ReadSeconds: math.NaN()}}
	}}, true)
	for _, r := range estimator.Reasons() {
		assert.Contains(t, got, `tidemark_rejected_readings_total{reason="`+r+`",vessel="basket"} 0`)
	}
	for _, s := range []string{"ok", "missing", "stale", "stuck"} {
		assert.Contains(t, got, `tidemark_readings_total{sensor="height",status="`+s+`",vessel="basket"} 0`)
	}
	for _, s := range []string{"waiting", "sent", "failed", "expired", "withdrawn"} {
		assert.Contains(t, got, `tidemark_notifications{state="`+s+`"}`)
	}
	assert.Contains(t, got, "tidemark_samples_late_total 0")
	assert.NotContains(t, got, "sensor_read_duration_seconds{", "not known")
	assert.Contains(t, got, "go_goroutines")
	assert.Contains(t, got, "process_resident_memory_bytes")
}
