package history

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/estimator"
)

// The benchmarks print the figures; nothing here is a timed test.
//
//	go test -run '^$' -bench . -benchtime 5x ./history

// invented is sample i of an invented rise: an S curve with noise-like wobble.
func invented(start time.Time, i int) Row {
	h := float64(i) / 360
	return Row{
		Time: start.Add(time.Duration(i) * 10 * time.Second), DistanceMM: 180 - 9*h + math.Sin(float64(i))/3,
		DoughC: 24.5 + math.Sin(float64(i)/900), AirC: 22 + math.Sin(float64(i)/2000),
		RisePercent: 120/(1+math.Exp(4-h)) + math.Sin(float64(i)*1.7)/4, RiseSD: 0.4, EquivHours: h * 1.05,
	}
}

// yearOnce builds the year once for all benchmarks.
var yearOnce = struct {
	sync.Once
	path string
	took time.Duration
}{}

// year is a file with a year of four vessels, each watched day and night at one
// row per 10 s, two rises a day: 2,920 rises, 12.6 million rows.
func year(b *testing.B) *Store {
	b.Helper()
	yearOnce.Do(func() {
		dir, err := os.MkdirTemp("", "tidemark-year")
		require.NoError(b, err)
		yearOnce.path = filepath.Join(dir, "tidemark.db")
		began := time.Now()
		s, err := Open(b.Context(), yearOnce.path, Options{FlushEvery: time.Hour, KeepRows: 1 << 20})
		require.NoError(b, err)
		for half := range 730 {
			addRises(b, s, t0.Add(time.Duration(half)*12*time.Hour))
		}
		require.NoError(b, s.Close(b.Context()))
		yearOnce.took = time.Since(began)
	})
	s, err := Open(b.Context(), yearOnce.path, Options{FlushEvery: time.Hour})
	require.NoError(b, err)
	b.Cleanup(func() { _ = s.Close(context.Background()) })
	return s
}

// addRises stores four rises of twelve hours at the same time, committed every
// ten minutes.
func addRises(b *testing.B, s *Store, at time.Time) {
	var rises []Rise
	for v := range 4 {
		r := Rise{Vessel: fmt.Sprintf("vessel %d", v+1), Holds: estimator.Dough, StartedAt: at, TargetPercent: 100, Note: "an invented note of some length"}
		id, err := s.BeginRise(b.Context(), r)
		require.NoError(b, err)
		r.ID = id
		rises = append(rises, r)
	}
	for i := range 4320 {
		for _, r := range rises {
			require.NoError(b, s.AppendRow(r.ID, invented(at, i)))
		}
		if i%60 == 59 {
			require.NoError(b, s.Flush(b.Context()))
		}
	}
	for _, r := range rises {
		r.EndedAt = at.Add(12 * time.Hour)
		require.NoError(b, s.EndRise(b.Context(), r))
	}
}

func BenchmarkYearList(b *testing.B) {
	s := year(b)
	info, err := os.Stat(s.Path())
	require.NoError(b, err)
	for b.Loop() {
		p, err := s.Rises(b.Context(), Filter{Limit: 100, Text: "invented"})
		require.NoError(b, err)
		require.Len(b, p.Rises, 100)
	}
	b.ReportMetric(float64(info.Size())/1e6, "MB-file")
	b.ReportMetric(float64(info.Size())/1e6/4, "MB-file/vessel-year")
	b.ReportMetric(yearOnce.took.Seconds(), "s-to-build")
}

func BenchmarkYearOneRise(b *testing.B) {
	s := year(b)
	id := int64(1)
	for b.Loop() {
		id = id*7919%2920 + 1
		_, err := s.Rise(b.Context(), id)
		require.NoError(b, err)
		rows, err := s.ThinRows(b.Context(), id, time.Time{}, time.Time{}, 600)
		require.NoError(b, err)
		require.Greater(b, len(rows), 500)
	}
}

func BenchmarkYearOverlayOf20(b *testing.B) {
	s := year(b)
	id := int64(1)
	for b.Loop() {
		for range 20 {
			id = id*7919%2920 + 1
			c, err := s.ThinRows(b.Context(), id, time.Time{}, time.Time{}, 300)
			require.NoError(b, err)
			require.Greater(b, len(c), 200)
		}
	}
}

func BenchmarkYearIntegrityCheck(b *testing.B) {
	s := year(b)
	for b.Loop() {
		require.NoError(b, s.check(b.Context()))
	}
}

func BenchmarkYearBackup(b *testing.B) {
	s := year(b)
	to := filepath.Join(b.TempDir(), "copy.db")
	for b.Loop() {
		require.NoError(b, s.Backup(b.Context(), to))
	}
}

// BenchmarkDayOfWrites stores a day of one vessel, a row per 10 s, kept every
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
		r := Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0}
		for i := range 8640 {
			if i%2160 == 0 { // four rises a day
				if r.ID != 0 {
					r.EndedAt = invented(t0, i).Time
					require.NoError(b, s.EndRise(b.Context(), r))
				}
				r = Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: invented(t0, i).Time}
				r.ID, err = s.BeginRise(b.Context(), r)
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
