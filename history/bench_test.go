package history

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
)

// invented is sample i of an invented rise: an S curve with noise-like wobble.
func invented(start time.Time, i int) bake.Recorded {
	h := float64(i) / 360
	return bake.Recorded{
		Time: start.Add(time.Duration(i) * 10 * time.Second), DistanceMM: 180 - 9*h + math.Sin(float64(i))/3,
		DoughC: 24.5 + math.Sin(float64(i)/900), AirC: 22 + math.Sin(float64(i)/2000),
		RisePercent: 120/(1+math.Exp(4-h)) + math.Sin(float64(i)*1.7)/4, RiseSD: 0.4, EquivHours: h * 1.05,
	}
}

// BenchmarkDayOfWrites (go test -run '^$' -bench . -benchtime 1x ./history) stores a day of one vessel, a row per 10 s, kept every
// minute, and reports the bytes: as handed to the kernel, and as the kernel counts
// them for the disk when every minute of every file is written out by itself, the
// index of the database's log included.
func BenchmarkDayOfWrites(b *testing.B) {
	for b.Loop() {
		dir, err := os.MkdirTemp("/var/tmp", "tidemark-day") // on a real disk: a RAM disk counts nothing
		require.NoError(b, err)
		now := t0
		s, err := Open(b.Context(), filepath.Join(dir, "tidemark.db"), Options{FlushEvery: 1000 * time.Hour, Now: func() time.Time { return now }})
		require.NoError(b, err)
		handed, disk := ioCounters(b)
		r := bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0}
		for i := range 8640 {
			if i%2160 == 0 { // four rises a day
				if r.ID != 0 {
					r.EndedAt = invented(t0, i).Time
					require.NoError(b, s.UpdateRise(b.Context(), r))
				}
				r = bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: invented(t0, i).Time}
				r.ID, err = s.BeginRise(b.Context(), r, nil)
				require.NoError(b, err)
			}
			require.NoError(b, s.AppendRow(r.ID, invented(t0, i)))
			if i%60 == 59 {
				require.NoError(b, s.AppendForecast(Forecast{RiseID: r.ID, At: invented(t0, i).Time}))
			}
			if i%360 == 359 { // a phase or another change an hour
				require.NoError(b, s.UpdateRise(b.Context(), r))
			}
			if i%6 == 5 {
				now = invented(t0, i).Time
				require.NoError(b, s.Flush(b.Context()))
				files, err := filepath.Glob(s.Path() + "*")
				require.NoError(b, err)
				for _, f := range files {
					require.NoError(b, syncFile(f))
				}
			}
		}
		h, d := ioCounters(b)
		require.NoError(b, s.Close(b.Context()))
		info, err := os.Stat(s.Path())
		require.NoError(b, err)
		b.ReportMetric(float64(h-handed)/1e6, "MB-handed/day")
		b.ReportMetric(float64(d-disk)/1e6, "MB-disk/day")
		b.ReportMetric(float64(info.Size())/1e6, "MB-file")
		require.NoError(b, os.RemoveAll(dir))
	}
}

// ioCounters reads how much this process has written: handed to the kernel, and
// counted for the disk (proc(5): wchar and write_bytes).
func ioCounters(b *testing.B) (handed, disk int64) {
	b.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skipf("needs /proc/self/io: %v", err)
	}
	for line := range strings.Lines(string(text)) {
		name, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
		n, err := strconv.ParseInt(value, 10, 64)
		require.NoError(b, err)
		switch name {
		case "wchar":
			handed = n
		case "write_bytes":
			disk = n
		}
	}
	return handed, disk
}
