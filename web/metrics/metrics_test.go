package metrics

import (
	"bytes"
	"flag"
	"math"
	"net/http/httptest"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/deploy/outsidetest"
	"tidemark/estimator"
	"tidemark/sensor"
	"tidemark/web"
	"tidemark/web/internal/kitchen"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func scrape(t testing.TB, k *kitchen.Kitchen) string {
	t.Helper()
	h, err := New(k, Options{})
	require.NoError(t, err)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	require.Equal(t, 200, w.Code, w.Body.String())
	return w.Body.String()
}

func newKitchen(t testing.TB) *kitchen.Kitchen {
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	return kitchen.New(zone)
}

func TestWholePageGolden(t *testing.T) {
	got := scrape(t, newKitchen(t))
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile("testdata/metrics.txt", []byte(got), 0o644))
	}
	want, err := os.ReadFile("testdata/metrics.txt")
	require.NoError(t, err, "run the test with -update to write the golden file")
	assert.Equal(t, string(want), got)
}

func TestLint(t *testing.T) {
	problems, err := promlint.New(strings.NewReader(scrape(t, newKitchen(t)))).Lint()
	require.NoError(t, err)
	assert.Empty(t, problems)
}

func TestPromtoolIsContent(t *testing.T) {
	tool := outsidetest.Program(t, "prometheus", "promtool")
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(scrape(t, newKitchen(t)))
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	require.NoError(t, cmd.Run(), out.String())
	assert.Empty(t, out.String())
}

// unitless are the families that count things or say yes or no.
func unitless() map[string]bool {
	return map[string]bool{"tidemark_build_info": true, "tidemark_vessel_info": true, "tidemark_clock_set": true,
		"tidemark_store_ok": true, "tidemark_store_waiting_rows": true, "tidemark_notifications": true, "tidemark_phase": true,
		"tidemark_quality": true, "tidemark_in_fridge": true, "tidemark_alarms_firing": true, "tidemark_sensor_ok": true}
}

// TestEveryFamilyNamesItsBaseUnit: promtool does not notice a missing unit or
// one that is no base unit (prometheus.io/docs/practices/naming, base units).
func TestEveryFamilyNamesItsBaseUnit(t *testing.T) {
	unit := regexp.MustCompile(`_(celsius|meters|seconds|ratio|ratio_per_second)$`)
	badUnit := regexp.MustCompile(`_(mm|cm|millimeters|ms|milliseconds|minutes|hours|percent|fahrenheit|liters|days)(_|$)`)
	for _, m := range families() {
		name := "tidemark_" + m.name
		assert.NotRegexp(t, badUnit, name)
		if strings.HasSuffix(name, "_total") || unitless()[name] {
			continue
		}
		assert.Regexp(t, unit, name, "no base unit at the end")
	}
	for name := range unitless() {
		assert.Contains(t, scrape(t, newKitchen(t)), "# TYPE "+name+" ", "listed as unitless but not exported")
	}
}

func TestUnknownIsAbsent(t *testing.T) {
	k := newKitchen(t)
	k.Change(func(_ *time.Time, v []web.Vessel, s *web.System) {
		nan := math.NaN()
		v[0].Estimate.DoughC, v[0].Estimate.RisePercent, v[0].Estimate.LevelMM = nan, nan, nan
		v[0].Estimate.Ready = estimator.Window{}
		v[0].Sensors[0].ReadSeconds = nan
	})
	got := scrape(t, k)
	assert.NotContains(t, got, "NaN")
	for _, name := range []string{"dough_celsius", "rise_ratio", "level_meters", "ready_timestamp_seconds"} {
		assert.NotContains(t, got, "tidemark_"+name+`{vessel="tub"}`)
	}
	assert.NotContains(t, got, `sensor_read_duration_seconds{sensor="height",vessel="tub"}`)
}

// TestValues checks single values by hand: 73.4 % is a ratio of 0.734, 29 % an
// hour is 0.29/3600 a second, 92 mm are 0.092 m.
func TestValues(t *testing.T) {
	var p = expfmt.NewTextParser(model.UTF8Validation)
	fams, err := p.TextToMetricFamilies(strings.NewReader(scrape(t, newKitchen(t))))
	require.NoError(t, err)
	value := func(name, vessel string) float64 {
		for _, m := range fams[name].GetMetric() {
			if len(m.GetLabel()) == 1 && m.GetLabel()[0].GetValue() == vessel {
				return m.GetGauge().GetValue()
			}
		}
		t.Fatalf("no %s of %s", name, vessel)
		return 0
	}
	assert.InDelta(t, 0.7339, value("tidemark_rise_ratio", "tub"), 0.0005)
	assert.InDelta(t, 0.29/3600, value("tidemark_rise_ratio_per_second", "tub"), 1e-12)
	assert.InDelta(t, 0.092, value("tidemark_level_meters", "tub"), 1e-12)
	assert.InDelta(t, 1.0, value("tidemark_target_ratio", "tub"), 1e-12)
	assert.InDelta(t, float64(time.Date(2026, 3, 14, 17, 20, 0, 0, time.UTC).Unix()), value("tidemark_ready_timestamp_seconds", "tub"), 1e-6)
}

func TestStateSetsHaveOneMember(t *testing.T) {
	var p = expfmt.NewTextParser(model.UTF8Validation)
	fams, err := p.TextToMetricFamilies(strings.NewReader(scrape(t, newKitchen(t))))
	require.NoError(t, err)
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

// TestWordsAgreeWithTheirPackages: a new status or kind must be exported too.
func TestWordsAgreeWithTheirPackages(t *testing.T) {
	want := []string{string(sensor.OK), string(sensor.Missing), string(sensor.ReadFailed), string(sensor.BadData), string(sensor.PowerOn),
		string(sensor.OutOfRange), string(sensor.Unreliable), string(sensor.Stale), string(sensor.Stuck)}
	assert.Equal(t, want, statuses())
	assert.Contains(t, kinds(), alert.NobodyWatched)
	assert.Len(t, kinds(), constants(t, "../../alert/kinds.go", "Kind"), "a kind of package alert is missing here")
	assert.Len(t, statuses(), constants(t, "../../sensor/reading.go", "Status"), "a status of package sensor is missing here")
	assert.Len(t, phases(), constants(t, "../../estimator/types.go", "Phase"), "a phase of package estimator is missing here")
}

// constants counts the constants of a type in a source file.
func constants(t *testing.T, file, typ string) int {
	t.Helper()
	src, err := os.ReadFile(file)
	require.NoError(t, err)
	n := len(regexp.MustCompile(`(?m)^\t\w+\s+`+typ+`\s+=\s+"`).FindAll(src, -1))
	require.Positive(t, n, "no constants of %s found in %s", typ, file)
	return n
}

// TestCountersExistBeforeTheyCount: a counter that comes up with its first
// event hides that event from a rate (prometheus.io/docs/practices/instrumentation,
// avoid missing metrics).
func TestCountersExistBeforeTheyCount(t *testing.T) {
	got := scrape(t, newKitchen(t))
	for _, r := range estimator.Reasons() {
		assert.Contains(t, got, `tidemark_rejected_readings_total{reason="`+r+`",vessel="basket"} 0`)
	}
	for _, s := range statuses() {
		assert.Contains(t, got, `tidemark_readings_total{sensor="height",status="`+s+`",vessel="basket"}`)
	}
	for _, s := range []string{"waiting", "sent", "failed", "expired", "withdrawn"} {
		assert.Contains(t, got, `tidemark_notifications{state="`+s+`"}`)
	}
	assert.Contains(t, got, "tidemark_samples_late_total 0")
}

func TestProcessFiguresOnRequest(t *testing.T) {
	h, err := New(newKitchen(t), Options{Process: true})
	require.NoError(t, err)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	assert.Contains(t, w.Body.String(), "go_goroutines")
	assert.Contains(t, w.Body.String(), "process_resident_memory_bytes")
}
