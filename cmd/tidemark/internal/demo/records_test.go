package demo

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
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
	fmt.Fprintln(&buf, record.Header)
	events := k.Events()
	started := false
	for now := k.Scenario().Start; now.Before(k.Scenario().Until); now = now.Add(30 * time.Second) {
		event := ""
		for len(events) > 0 && !events[0].At.After(now) {
			if events[0].Vessel == vessel {
				event = events[0].Kind
			}
			events = events[1:]
		}
		started = started || event == "start"
		if !started {
			continue
		}
		fmt.Fprintf(&buf, "%s,%s,%s,%s,%s,\n", now.Format(time.RFC3339), number(k.Distance(vessel, now)), number(k.Dough(vessel, now)), number(k.Air(vessel, now)), event)
		if event == "end" {
			break
		}
	}
	return buf.Bytes()
}

// number writes the value of a reading; nothing for a fault.
func number(r sensor.Reading) string {
	if r.Status != sensor.OK {
		return ""
	}
	return strconv.FormatFloat(r.Value, 'f', -1, 64)
}
