package demo

import (
	"bytes"
	"flag"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/record"
	"tidemark/sensor/sensortest/virtual"
)

var update = flag.Bool("update", false, "write the recorded rises anew")

// recordDir holds the recorded rises of the invented kitchen.
const recordDir = "../../../../testdata/records"

// day is the invented day of the records.
func day() time.Time { return time.Date(2026, 2, 14, 0, 0, 0, 0, time.FixedZone("", 3600)) }

// TestRecords keeps testdata in step with the virtual kitchen.
func TestRecords(t *testing.T) {
	for _, vessel := range []string{"jar", "tub"} {
		got := recordOf(t, vessel)
		path := filepath.Join(recordDir, "invented-"+vessel+".csv")
		if *update {
			require.NoError(t, os.WriteFile(path, got, 0o644))
		}
		want, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, string(want), string(got), "run with -update if the kitchen was changed on purpose")
	}
}

// recordOf writes the day of one vessel as a record of one row per 30 s, from
// its start to its end.
func recordOf(t *testing.T, vessel string) []byte {
	k := virtual.New(virtual.Household(day()), 7)
	var buf bytes.Buffer
	w := record.NewWriter(&buf)
	events := k.Events()
	started := false
	for now := k.Scenario().Start; now.Before(k.Scenario().Until); now = now.Add(30 * time.Second) {
		row := record.Row{Time: now, DistanceMM: of(k.Distance(vessel, now)), DoughC: of(k.Dough(vessel, now)), AirC: of(k.Air(vessel, now))}
		for len(events) > 0 && !events[0].At.After(now) {
			if events[0].Vessel == vessel {
				row.Event = events[0].Kind
			}
			events = events[1:]
		}
		started = started || row.Event == "start"
		if !started {
			continue
		}
		require.NoError(t, w.Write(row))
		if row.Event == "end" {
			break
		}
	}
	require.NoError(t, w.Flush())
	return buf.Bytes()
}

// of returns a reading's value, NaN for a fault.
func of(r sensor.Reading) float64 {
	if r.Status != sensor.OK {
		return nan()
	}
	return r.Value
}

func nan() float64 { return math.NaN() }
