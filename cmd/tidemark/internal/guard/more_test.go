package guard

import (
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestBlind takes the readings of the tub away for a while, and the power.
func TestBlind(t *testing.T) {
	t.Parallel()
	run(t, "sensor lost and found", func(t *testing.T, c *check) {
		s := rising(t, tubYAML, morning())
		s.play(in(2 * time.Hour))
		s.blind = true
		s.play(in(2*time.Hour + 12*time.Minute))
		lost := s.first("sensor_lost")
		c.moment("sensor_lost", s.at(in(2*time.Hour+5*time.Minute)), lost.At, 3*time.Minute)
		c.that(slices.Contains(s.k.see("tub").openAlarms(), "sensor_lost"), "open are %v", s.k.see("tub").openAlarms())
		title, _, _ := strings.Cut(lost.Text, "\n")
		c.that(strings.Contains(s.k.pageText(), title), "the page does not show the warning %q", title)
		s.k.restart(true, 0)
		s.play(in(2*time.Hour + 14*time.Minute))
		s.blind = false
		s.play(in(2*time.Hour + 30*time.Minute))
		v := s.k.see("tub")
		c.that(!slices.Contains(v.openAlarms(), "sensor_lost"), "open are %v", v.openAlarms())
		c.near("rise", doughRise(150*time.Minute), v.percent(), 6)
		s.play(in(doubles(doughRise) + 10*time.Minute))
		c.equal("messages", []string{"sensor_lost", "near", "reached"}, toldOnce(s.k.phone.messages()))
	})
	run(t, "an hour without power", func(t *testing.T, c *check) {
		s := rising(t, tubYAML, morning())
		s.play(in(100 * time.Minute))
		before := s.k.see("tub")
		s.k.restart(true, time.Hour)
		s.gone += time.Hour
		s.play(in(165 * time.Minute))
		v := s.k.see("tub")
		c.moment("start", *before.Started, *v.Started, time.Minute)
		c.near("rise", doughRise(165*time.Minute), v.percent(), 6)
		c.equal("events", before.kinds(), v.kinds())
		s.play(in(doubles(doughRise) + 10*time.Minute))
		c.equal("messages", []string{"near", "reached"}, toldOnce(s.k.phone.messages()))
		c.moment("reached", s.at(in(doubles(doughRise))), s.first("reached").At, tolerance("reached"))
	})
}

// TestUnits plays a whole bake for a household of 12 h and °F: it never reads another
// unit, neither on the page nor in a message.
func TestUnits(t *testing.T) {
	t.Parallel()
	run(t, "12 h and Fahrenheit", func(t *testing.T, c *check) {
		yaml := strings.Replace(houseYAML, "clock: 24h, temperature: celsius", "clock: 12h, temperature: fahrenheit", 1)
		require.NotEqual(t, houseYAML, yaml)
		s := tellStory(t, yaml, morning(), wholeBake())
		var texts []string
		for _, e := range wholeBake() {
			s.play(e.after)
			texts = append(texts, s.k.pageText())
		}
		for _, m := range s.k.phone.messages() {
			texts = append(texts, m.Text)
		}
		foreign := regexp.MustCompile(`\d\s?°?\s?C\b|\b(0\d|1[3-9]|2[0-3]):[0-5]\d\b`)
		var found []string
		for _, text := range texts {
			for _, f := range foreign.FindAllString(text, -1) {
				if !slices.Contains(found, f) {
					found = append(found, f)
				}
			}
		}
		c.that(len(found) == 0, "found %q", found)
		c.fact("%d texts", len(texts))
	})
}

// The state folder of a program of 29 November 2026 (commit cb973fd), closed in order: a
// jar whose rise is over and a tub in mid-rise, all invented.
const (
	olderState = "testdata/state-2026-11-29"
	olderUntil = tubAfter + 155*time.Minute
)

// olderEntries is what had been done by then.
func olderEntries() []entry {
	return slices.DeleteFunc(wholeBake(), func(e entry) bool { return e.after >= olderUntil })
}

// TestOlderState takes over what an older program kept, and goes on with the open rise.
func TestOlderState(t *testing.T) {
	t.Parallel()
	if *writeState {
		s := tellStory(t, houseYAML, morning(), wholeBake())
		s.play(olderUntil)
		s.k.stop()
		require.NoError(t, os.CopyFS(olderState, os.DirFS(s.k.dir)))
		s.k.start()
	}
	run(t, "taken over", func(t *testing.T, c *check) {
		dir := filepath.Join(t.TempDir(), "state")
		require.NoError(t, os.CopyFS(dir, os.DirFS(olderState)))
		s := &story{k: openKitchen(t, houseYAML, morning().Add(olderUntil), dir), begin: morning(), gone: olderUntil, floorMM: 240,
			entries: wholeBake(), next: len(olderEntries()), jar: [2]time.Duration{fedAfter, tubAfter - 10*time.Minute}, tub: [2]time.Duration{tubAfter, tubAfter + bulkLasts}}
		s.play(olderUntil + 5*time.Minute)
		v := s.k.see("tub")
		c.moment("start", s.at(tubAfter), *v.Started, time.Minute)
		c.near("rise", doughRise(160*time.Minute), v.percent(), 6)
		c.equal("events", []string{"start", "fold", "fold", "note", "fold", "target", "fold", "fridge", "counter"}, v.kinds())
		c.near("mark", 95, value(v.Target), 0.01)
		c.equal("closed steps", []string{"mix", "rest", "salt", "fold-1", "fold-2", "fold-3", "fold-4"}, v.closedSteps())
		s.act("tub", deed{Kind: "undo", Event: v.last().ID})
		s.k.advance()
		c.that(s.k.see("tub").InFridge, "the counter is taken back, and the dough is not in the refrigerator")
		s.act("tub", deed{Kind: "counter"})
		s.play(storyLasts)
		c.equal("messages", []string{"near", "reached"}, withoutSteps(toldOnce(s.k.phone.messages())))
		c.that(s.k.see("tub").stepState("slice") == "done", "slice is %q", s.k.see("tub").stepState("slice"))
		c.that(len(s.refused) == 0, "refused: %v", s.refused)
		c.that(!math.IsNaN(v.percent()), "no rise is known")
	})
}
