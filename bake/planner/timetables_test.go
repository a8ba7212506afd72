package planner_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/planner"
)

var updateTables = flag.Bool("update", false, "rewrite the golden timetables")

// The timetables of our own kitchens, one file each, printed to be read line by line
// as a baker would.
func TestTimetables(t *testing.T) {
	of := func(flour string, loaves int, in ...bake.Inclusion) bake.Batch {
		b := bake.Batch{Name: "test", Flours: []bake.Flour{{Name: flour, Grams: 900}}, WaterG: 600, Levain: bake.Levain{Grams: 200, HydrationPercent: 100}, SaltG: 20, Loaves: loaves, Inclusions: in}
		return b
	}
	rye := of("whole rye", 2)
	rye.WaterG = 720
	rich := of("strong white wheat", 2, bake.Inclusion{Name: "butter", Grams: 180}, bake.Inclusion{Name: "sugar", Grams: 90})
	rich.WaterG = 500
	milkBread := of("strong white wheat", 2, bake.Inclusion{Name: "milk", Grams: 300, WaterG: 262}, bake.Inclusion{Name: "butter", Grams: 60}, bake.Inclusion{Name: "sugar", Grams: 40})
	milkBread.WaterG = 320
	potted := bake.DefaultBatch()
	potted.AtOnce = 1
	for name, edit := range map[string]func(*planner.Request){
		"lean-17":           func(w *planner.Request) { w.RoomC = 17 },
		"lean-21":           func(w *planner.Request) { w.RoomC = 21 },
		"lean-26":           func(w *planner.Request) { w.RoomC = 26 },
		"lean-29":           func(w *planner.Request) { w.RoomC = 29 },
		"one-pot-no-fridge": func(w *planner.Request) { sameDay(25)(w); w.Batch = potted },
		"same-day-17":       sameDay(17),
		"same-day-21":       sameDay(21),
		"same-day-26":       sameDay(26),
		"same-day-29":       sameDay(29),
		"too-tight":         func(w *planner.Request) { w.ReadyAt = now().Add(9 * time.Hour) },
		"rich":              func(w *planner.Request) { w.Batch = rich },
		"rye":               func(w *planner.Request) { w.Batch, w.ReadyAt = rye, now().Add(58*time.Hour) },
		"milk-accepted":     func(w *planner.Request) { w.Batch, w.MilkInTheWarm = milkBread, true },
		"twenty-rolls":      func(w *planner.Request) { w.Batch = of("strong white wheat", 20) },
		"one-pot":           func(w *planner.Request) { w.Batch = potted },
		"cold-starter":      func(w *planner.Request) { w.Starter.ColdDays, w.ReadyAt = 21, now().Add(54*time.Hour) },
		"away": func(w *planner.Request) {
			w.Away = []bake.Span{{From: now().Add(8 * time.Hour), Until: now().Add(11 * time.Hour)}}
		},
	} {
		t.Run(name, func(t *testing.T) {
			w := request()
			w.WarmC = 0
			edit(&w)
			plans, err := planner.Make(w)
			require.NoError(t, err)
			got := printed(w, plans)
			file := filepath.Join("testdata", name+".txt")
			if *updateTables {
				require.NoError(t, os.MkdirAll("testdata", 0o755))
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Equal(t, string(want), got)
		})
	}
}

// sameDay asks for bread on the evening of the day at whose beginning the starter is ripe.
func sameDay(roomC float64) func(*planner.Request) {
	return func(w *planner.Request) {
		w.Now, w.NoFridge = now().Add(-80*time.Minute), true
		w.RoomC, w.ReadyAt, w.Starter.RipeUntil = roomC, now().Add(14*time.Hour), now().Add(6*time.Hour)
	}
}

// printed writes the first plan, the second where it fits, and the others in a line each.
func printed(w planner.Request, plans []planner.Plan) string {
	var b strings.Builder
	l := text.New(text.Locale{}).At(w.Now)
	fmt.Fprintf(&b, "Now %s, wanted %s, room %.0f °C.\n", w.Now.Format("Mon 15:04"), w.ReadyAt.Format("Mon 15:04"), w.RoomC)
	for i, p := range plans {
		if len(p.Steps) == 0 {
			fmt.Fprintf(&b, "\n%s: %s\n", l.Tell(p.Name()), l.Tell(p.Why...))
			continue
		}
		fmt.Fprintf(&b, "\n%s: chance %.0f %%, bulk ends at %.0f %%, ready %s. %s\n", l.Tell(p.Name()), 100*p.Chance, p.BulkEndPercent, p.Ready.Median.Format("Mon 15:04"), l.Tell(p.Why...))
		for _, n := range p.Notes {
			fmt.Fprintf(&b, "  Note: %s\n", l.Tell(n))
		}
		if i > 1 || !p.Fits && i > 0 {
			continue
		}
		slices.SortStableFunc(p.Steps, func(x, y bake.Step) int { return x.At.Compare(y.At) })
		for _, s := range p.Steps {
			fmt.Fprintf(&b, "  %s  %-21s  %-26s %4.0f min  %s\n", s.At.Format("Mon 15:04"), window(s), l.Tell(s.Name), s.Takes.Minutes(), l.Tell(s.Do))
		}
	}
	return strings.ReplaceAll(b.String(), "\u00a0", " ")
}

// window writes when else a step may come.
func window(s bake.Step) string {
	if s.Until.Sub(s.From) < 10*time.Minute {
		return ""
	}
	return s.From.Format("Mon 15:04") + " - " + s.Until.Format("Mon 15:04")
}
