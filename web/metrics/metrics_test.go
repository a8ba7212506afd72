package metrics

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/sensor"
)

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
	exported, err := os.ReadFile("../../cmd/tidemark/internal/page/testdata/metrics.txt")
	require.NoError(t, err)
	families := regexp.MustCompile(`(?m)^# HELP (tidemark_\w+) `).FindAllStringSubmatch(string(exported), -1)
	require.Greater(t, len(families), 20)
	for _, m := range families {
		name := m[1]
		assert.NotRegexp(t, badUnit, name)
		if strings.HasSuffix(name, "_total") || unitless()[name] {
			continue
		}
		assert.Regexp(t, unit, name, "no base unit at the end")
	}
}

// TestWordsAgreeWithTheirPackages: a new status or kind must be exported too.
func TestWordsAgreeWithTheirPackages(t *testing.T) {
	want := []string{string(sensor.OK), string(sensor.Missing), string(sensor.ReadFailed), string(sensor.BadData), string(sensor.PowerOn),
		string(sensor.OutOfRange), string(sensor.Unreliable), string(sensor.Stale), string(sensor.Stuck)}
	assert.Equal(t, want, statuses())
	assert.Len(t, alert.Kinds(), constants(t, "../../alert/kinds.go", "Kind"), "a kind of package alert is missing")
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
