package calendar_test

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/calendar"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func sentence(key string) bake.Said { return bake.Said{Key: key} }

func sample() calendar.Bake {
	at := func(h, m int) time.Time { return time.Date(2026, 3, 7, h, m, 0, 0, time.FixedZone("invented", 3600)) }
	return calendar.Bake{
		ID: "bake-7", Title: "Harbour loaf", Stamp: at(8, 0), Alarm: 10 * time.Minute,
		Speak: func(s bake.Said) string { return text.New(text.Locale{Zone: at(8, 0).Location()}).Tell(s) },
		Steps: []bake.Step{
			{ID: "mix", Name: sentence("step.mix.name"), State: bake.Done, At: at(9, 0), From: at(9, 0), Until: at(9, 0)},
			{ID: "bulk", Name: sentence("step.bulk.name"), Do: sentence("step.bulk.do"), At: at(15, 0), From: at(14, 20), Until: at(16, 10), State: bake.Started},
			{ID: "fold-4", Name: sentence("step.fold.name"), State: bake.Skipped, At: at(12, 0)},
			{ID: "preheat", Name: sentence("step.preheat.name"), Do: bake.Said{Key: "step.preheat.do", Values: bake.Values{"hot_c": 250.0}}, Caution: bake.Sentences{sentence("caution.oven")}, Question: sentence("step.oven-check.question"), Hands: true, At: at(16, 0), From: at(16, 0), Until: at(16, 0), Takes: 50 * time.Minute},
		},
	}
}

// Lines, escapes and folding follow RFC 5545 3.1 and 3.3.11: CRLF, at most 75
// octets a line, comma and semicolon escaped.
func TestWriteGolden(t *testing.T) {
	var sb strings.Builder
	require.NoError(t, calendar.Write(&sb, sample()))
	got := sb.String()
	golden := filepath.Join("testdata", "bake.ics")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
	for line := range strings.SplitSeq(strings.TrimSuffix(got, "\r\n"), "\r\n") {
		assert.LessOrEqual(t, len(line), 75, line)
		assert.NotContains(t, line, "\n")
	}
	assert.Contains(t, strings.ReplaceAll(got, "\r\n ", ""), `domed\, with bubbles at the wall`)
}

func TestWriteReadsBack(t *testing.T) {
	var sb strings.Builder
	require.NoError(t, calendar.Write(&sb, sample()))
	cal, err := ics.ParseCalendar(strings.NewReader(sb.String()))
	require.NoError(t, err)
	events := cal.Events()
	require.Len(t, events, 2, "done and skipped steps are left out")
	assert.Equal(t, "bake-7-bulk@tidemark", events[0].Id())
	start, err := events[0].GetStartAt()
	require.NoError(t, err)
	assert.True(t, start.Equal(time.Date(2026, 3, 7, 14, 0, 0, 0, time.UTC)))
	assert.Empty(t, events[0].Alarms())
	require.Len(t, events[1].Alarms(), 1)
	end, err := events[1].GetEndAt()
	require.NoError(t, err)
	assert.True(t, end.Equal(time.Date(2026, 3, 7, 15, 50, 0, 0, time.UTC)))
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestWriteFails(t *testing.T) {
	assert.ErrorContains(t, calendar.Write(full{}, sample()), "the calendar cannot be written")
}
