package history

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/estimator"
)

// crash leaves the files as a process that died at this moment would, and closes
// the store without its last writes reaching them.
func crash(t testing.TB, s *Store) {
	t.Helper()
	dir := t.TempDir()
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, s.path+suffix, filepath.Join(dir, "db"+suffix))
	}
	require.NoError(t, s.Close(t.Context()))
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, filepath.Join(dir, "db"+suffix), s.path+suffix)
	}
}

// copyFile copies a file.
func copyFile(t testing.TB, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	require.NoError(t, err)
	defer in.Close()
	out, err := os.Create(to)
	require.NoError(t, err)
	_, err = io.Copy(out, in)
	require.NoError(t, err)
	require.NoError(t, out.Close())
}

// crashChildEnv names the file for the child process of TestKilledAtAnyMoment.
const crashChildEnv = "TIDEMARK_HISTORY_CRASH_CHILD"

func TestMain(m *testing.M) {
	if path := os.Getenv(crashChildEnv); path != "" {
		watchUntilKilled(path)
	}
	os.Exit(m.Run())
}

// watchUntilKilled watches one rise and says on standard output what it did, line
// by line, until it is killed.
func watchUntilKilled(path string) {
	ctx := context.Background()
	fail := func(err error) {
		if err != nil {
			fmt.Println("error", err)
			os.Exit(3)
		}
	}
	s, err := Open(ctx, path, Options{FlushEvery: time.Hour})
	fail(err)
	open, err := s.OpenRises(ctx)
	fail(err)
	r := Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0, BaselineL: 1.25}
	next := 0
	if len(open) > 0 {
		r = open[0]
		for _, err := range s.Rows(ctx, r.ID, time.Time{}, time.Time{}) {
			fail(err)
			next++
		}
	} else {
		r.ID, err = s.BeginRise(ctx, r)
		fail(err)
	}
	for ; ; next++ {
		fail(s.AppendRow(r.ID, row(next)))
		fmt.Println("row", next)
		if next%6 == 5 { // a minute
			fail(s.Flush(ctx))
			fmt.Println("kept", next)
		}
		if next%20 == 0 {
			id := fmt.Sprintf("alarm-%06d", next)
			fail(s.SaveAlarm(ctx, alarm(id, r.ID, alert.Firing, t0), []alert.Notification{notification(id, id, t0)}))
			fmt.Println("alarm", next)
		}
	}
}

// TestKilledAtAnyMoment kills a watching process again and again, after a random
// number of steps, and looks at what the next one finds.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	rounds := 10
	if *campaign {
		rounds = 500
	}
	random := rand.New(rand.NewPCG(20260314, 1))
	path := filepath.Join(t.TempDir(), "tidemark.db")
	kept, alarms := -1, map[int]bool{}
	for round := range rounds {
		lines, killed := random.IntN(120), false
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), crashChildEnv+"="+path)
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		last := -1
		for scan := bufio.NewScanner(out); scan.Scan(); lines-- {
			what, rest, _ := strings.Cut(scan.Text(), " ")
			require.NotEqual(t, "error", what, rest)
			n, err := strconv.Atoi(rest)
			require.NoError(t, err)
			switch what {
			case "row":
				last = n
			case "kept":
				kept = n
			case "alarm":
				alarms[n] = true
			}
			if lines <= 0 && !killed { // what it wrote before it died still counts
				require.NoError(t, cmd.Process.Kill())
				killed = true
			}
		}
		_ = cmd.Wait()
		require.True(t, killed)

		s, err := Open(t.Context(), path, Options{FlushEvery: time.Hour})
		require.NoError(t, err)
		assert.True(t, s.Opened().Unclean)
		assert.Empty(t, s.Opened().Quarantine)
		open, err := s.OpenRises(t.Context())
		require.NoError(t, err)
		require.Len(t, open, 1, "the rise under way is found, once")
		assert.Equal(t, 1.25, open[0].BaselineL)
		rows := collect(t, s, open[0].ID)
		require.GreaterOrEqual(t, len(rows), kept+1, "round %d: what was committed is there", round)
		require.LessOrEqual(t, last-len(rows)+1, 6, "round %d: at most a minute is lost", round)
		for i, r := range rows {
			require.Equal(t, row(i).Time, r.Time)
		}
		stored, err := s.OpenAlarms(t.Context())
		require.NoError(t, err)
		require.GreaterOrEqual(t, len(stored), len(alarms))
		crash(t, s)
	}
}

// TestPowerCut cuts the write-ahead log at arbitrary places and spoils what comes
// after, as a power cut may with what was not yet on the disk.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(7, 7))
	ctx := t.Context()
	dir := t.TempDir()
	path := filepath.Join(dir, "tidemark.db")
	s, err := Open(ctx, path, Options{FlushEvery: time.Hour})
	require.NoError(t, err)
	id := begin(t, s, "tub", t0)
	type mark struct {
		wal    int64
		alarms int
	}
	var synced []mark // size of the log after each write that waited for the disk
	size := func() int64 {
		info, err := os.Stat(path + "-wal")
		require.NoError(t, err)
		return info.Size()
	}
	for i := range 600 {
		require.NoError(t, s.AppendRow(id, row(i)))
		if i%6 == 5 {
			require.NoError(t, s.Flush(ctx))
		}
		if i%50 == 0 {
			require.NoError(t, s.SaveAlarm(ctx, alarm(fmt.Sprintf("a%03d", i), id, alert.Firing, t0), nil))
			synced = append(synced, mark{size(), len(synced) + 1})
		}
	}
	whole := size()
	crash(t, s)

	for range 40 {
		cut := random.Int64N(whole + 1)
		alarms := 0
		for _, m := range synced {
			if m.wal <= cut {
				alarms = m.alarms
			}
		}
		if alarms == 0 {
			continue // before the first synced write there is nothing to keep
		}
		broken := filepath.Join(t.TempDir(), "tidemark.db")
		copyFile(t, path, broken)
		wal, err := os.ReadFile(path + "-wal")
		require.NoError(t, err)
		for i := cut; i < whole && i < cut+5000; i++ {
			wal[i] = byte(random.Uint32())
		}
		if random.IntN(2) == 0 {
			wal = wal[:cut]
		}
		require.NoError(t, os.WriteFile(broken+"-wal", wal, 0o600))

		s, err := Open(ctx, broken, Options{FlushEvery: time.Hour})
		require.NoError(t, err)
		require.Empty(t, s.Opened().Quarantine, "cut at %d of %d", cut, whole)
		require.False(t, s.Opened().InMemory)
		rows := collect(t, s, id)
		for i, r := range rows {
			require.Equal(t, row(i).Time, r.Time, "no hole before the end")
		}
		stored, err := s.OpenAlarms(ctx)
		require.NoError(t, err)
		require.GreaterOrEqual(t, len(stored), alarms, "cut at %d: what waited for the disk is there", cut)
		require.NoError(t, s.Close(ctx))
	}
}
