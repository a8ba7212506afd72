package guard

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// houseYAML is an invented household: a starter in a jar and a dough in a tub.
const houseYAML = `
household: {time_zone: UTC, clock: 24h, temperature: celsius}
vessels:
  - name: jar
    holds: starter
    floor_mm: 170
    profile: {shape: straight, diameter_mm: 80, height_mm: 160}
    feed: {starter_g: 20, flour_g: 40, water_g: 40}
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 220}
    batch: {name: our loaf, flours: [{name: wheat, grams: 900}], water_g: 640, levain: {grams: 200, hydration_percent: 100}, salt_g: 20, loaves: 2}
`

// morning is when the story begins.
func morning() time.Time { return time.Date(2026, 4, 4, 7, 0, 0, 0, time.UTC) }

// grown is an invented rise in percent after a time: a logistic, half way at halfH, to
// the ceiling, slowly sinking once it has been above sinksH.
func grown(since time.Duration, ceiling, halfH, sinksH float64) float64 {
	g := func(h float64) float64 { return ceiling / (1 + math.Exp((halfH-h)*1.35)) }
	h := since.Hours()
	if h <= 0 {
		return 0
	}
	return g(min(h, sinksH)) - g(0) - max(0, h-sinksH)*14
}

// doughRise is that of the tub, starterRise that of the jar.
func doughRise(since time.Duration) float64 { return grown(since, 165, 3.2, 99) }

func starterRise(since time.Duration) float64 { return grown(since, 140, 2.6, 5.5) }

// doubles is when a rise comes to 100 %.
func doubles(rise func(time.Duration) float64) time.Duration {
	return comesTo(rise, 100)
}

// comesTo is when a rise comes to a level.
func comesTo(rise func(time.Duration) float64, percent float64) time.Duration {
	for d := time.Duration(0); d < 24*time.Hour; d += time.Second {
		if rise(d) >= percent {
			return d
		}
	}
	return 0
}

// entry is one line of the story: after so long a person does something.
type entry struct {
	after  time.Duration
	vessel string
	deed   deed
}

const (
	fedAfter   = 10 * time.Minute
	tubAfter   = 5 * time.Hour
	bulkLasts  = 217 * time.Minute // turned out some minutes after it came to its mark of 95 %
	storyLasts = 15 * time.Hour
)

// wholeBake is a bake from feeding the starter to slicing the loaf. Everything a person
// does to the tub follows the default steps of the program at the clock.
func wholeBake() []entry {
	at := func(minutes int) time.Duration { return tubAfter + time.Duration(minutes)*time.Minute }
	end := int(bulkLasts / time.Minute)
	return []entry{
		{fedAfter, "jar", deed{Kind: "fed"}},
		{tubAfter - 10*time.Minute, "jar", deed{Kind: "end"}},
		{at(0), "tub", deed{Kind: "start"}},
		{at(31), "tub", deed{Kind: "fold"}},
		{at(62), "tub", deed{Kind: "fold"}},
		{at(75), "tub", deed{Kind: "note", Note: "by the stove"}},
		{at(93), "tub", deed{Kind: "fold"}},
		{at(110), "tub", deed{Kind: "target", Percent: 95}},
		{at(124), "tub", deed{Kind: "fold"}},
		{at(140), "tub", deed{Kind: "fridge"}},
		{at(150), "tub", deed{Kind: "counter"}},
		{at(end), "tub", deed{Kind: "end"}},
		{at(end + 4), "tub", deed{Kind: "step", Step: "divide"}},
		{at(end + 42), "tub", deed{Kind: "shaped"}},
		{at(end + 95), "tub", deed{Kind: "step", Step: "oven-check"}},
		{at(end + 96), "tub", deed{Kind: "step", Step: "preheat"}},
		{at(end + 160), "tub", deed{Kind: "step", Step: "proof"}},
		{at(end + 164), "tub", deed{Kind: "step", Step: "bake-covered"}},
		{at(end + 187), "tub", deed{Kind: "step", Step: "bake-uncovered"}},
		{at(end + 209), "tub", deed{Kind: "baked"}},
		{at(end + 325), "tub", deed{Kind: "step", Step: "slice"}},
	}
}

// story is a kitchen in which a bake goes on.
type story struct {
	k       *kitchen
	begin   time.Time
	gone    time.Duration // since the story began
	entries []entry
	next    int
	refused []string

	// Where the dough truly is, whatever was told: when the vessels were filled and
	// emptied.
	jar, tub [2]time.Duration
	floorMM  float64 // from the sensor over the tub to its floor
	blind    bool    // the sensor over the tub gives nothing
}

// tellStory opens a kitchen for a list of entries.
func tellStory(t *testing.T, yaml string, wall time.Time, entries []entry) *story {
	t.Helper()
	return &story{k: openKitchen(t, yaml, wall, t.TempDir()), begin: wall, entries: entries, floorMM: 240,
		jar: [2]time.Duration{fedAfter, tubAfter - 10*time.Minute}, tub: [2]time.Duration{tubAfter, tubAfter + bulkLasts}}
}

const (
	readEvery  = 30 * time.Second
	thinkEvery = time.Minute
)

// play lets the story go on to a moment.
func (s *story) play(until time.Duration) {
	for s.gone < until {
		s.k.m.tick(readEvery)
		s.gone += readEvery
		for s.next < len(s.entries) && s.entries[s.next].after <= s.gone {
			s.act(s.entries[s.next].vessel, s.entries[s.next].deed)
			s.next++
		}
		wobble := 0.4 * math.Sin(1.7*s.gone.Seconds()) // stands for noise, the same every time
		if slices.ContainsFunc(s.entries, func(e entry) bool { return e.vessel == "jar" }) {
			s.k.observe("jar", reading{170 - 45*s.filled(s.jar, starterRise) + wobble, 25, 23.5})
		}
		tub := reading{s.floorMM - 60*s.filled(s.tub, doughRise) + wobble, 24.5, 23.5}
		if s.blind {
			tub.DistanceMM = math.NaN()
		}
		s.k.observe("tub", tub)
		if s.gone%thinkEvery == 0 {
			s.k.advance()
		}
	}
}

// filled is the volume in a vessel over that at the start; 0 when it is empty.
func (s *story) filled(span [2]time.Duration, rise func(time.Duration) float64) float64 {
	if s.gone < span[0] || s.gone >= span[1] {
		return 0
	}
	return 1 + rise(s.gone-span[0])/100
}

// act does something and notes a refusal.
func (s *story) act(vessel string, d deed) {
	if err := s.k.do(vessel, d); err != nil {
		s.refused = append(s.refused, fmt.Sprintf("%s of %s: %v", d.Kind, vessel, err))
	}
}

// at is the moment of the story that lies so long after its beginning.
func (s *story) at(d time.Duration) time.Time { return s.begin.Add(d) }

// first finds the first message of a kind of a vessel; the zero message when none came.
func (s *story) first(kind string) message { return firstOf(s.k.phone.messages(), kind) }

func firstOf(all []message, kind string) message {
	for _, m := range all {
		if m.Kind == kind {
			return m
		}
	}
	return message{}
}

// toldOnce lists the kinds of the messages by alarm: repeats and ends left out.
func toldOnce(all []message) []string { return messageKinds(firsts(all)) }

// TestBake plays a whole bake from the feed to the slice.
func TestBake(t *testing.T) {
	t.Parallel()
	run(t, "feed to slice", func(t *testing.T, c *check) {
		s := tellStory(t, houseYAML, morning(), wholeBake())
		jarEnds := s.jar[1]
		s.play(jarEnds - time.Minute)
		c.equal("events of the jar", []string{"fed"}, s.k.see("jar").kinds())
		s.play(tubAfter + 2*time.Hour)
		v := s.k.see("tub")
		c.near("rise after 2 h", doughRise(2*time.Hour), v.percent(), 4)
		due := s.at(tubAfter + comesTo(doughRise, 95)) // 88 minutes later; a logistic curve speeds up for longer than dough fed by its starch does
		c.that(v.Ready != nil && v.Ready.Sub(due).Abs() < 90*time.Minute, "forecast after 2 h: %v, doubt %v, the dough is there at %v", v.Ready, v.Doubt, due)
		checkPage(c, s, v)
		s.play(tubAfter + bulkLasts - time.Minute)
		v = s.k.see("tub")
		c.that(v.Phase == "ready" || v.Phase == "over", "phase before the end of the bulk is %s", v.Phase)
		c.equal("events of the tub", []string{"start", "fold", "fold", "note", "fold", "target", "fold", "fridge", "counter"}, v.kinds())
		checkPage(c, s, v)
		s.play(storyLasts)
		v = s.k.see("tub")
		c.that(v.stepState("slice") == "done", "slice is %q", v.stepState("slice"))
		for _, st := range v.Steps {
			c.that(st.State == "done", "step %s is %s", st.ID, st.State)
		}
		c.that(len(s.refused) == 0, "refused: %v", s.refused)
		checkDay(c, s)
	})
}

// checkDay holds the messages of a whole bake against what truly happened.
func checkDay(c *check, s *story) {
	all := s.k.phone.messages()
	var of = map[string][]message{}
	for _, m := range all {
		for _, vessel := range []string{"jar", "tub"} {
			if strings.Contains(m.Text, vessel) {
				of[vessel] = append(of[vessel], m)
			}
		}
	}
	rise := func(vessel string) []string {
		return slices.DeleteFunc(toldOnce(of[vessel]), func(k string) bool { return k == "step_due" })
	}
	c.that(len(of["jar"])+len(of["tub"]) == len(all), "a message names no vessel: %v", all)
	c.equal("messages of the jar", []string{"near", "reached"}, rise("jar"))
	c.equal("messages of the tub", []string{"near", "reached"}, rise("tub"))
	c.moment("reached of the jar", s.at(fedAfter+doubles(starterRise)), firstOf(of["jar"], "reached").At, tolerance("reached"))
	crossing := s.at(tubAfter + comesTo(doughRise, 95))
	c.moment("near of the tub", crossing.Add(-30*time.Minute), firstOf(of["tub"], "near").At, tolerance("near"))
	c.moment("reached of the tub", crossing, firstOf(of["tub"], "reached").At, tolerance("reached"))
	steps := slices.DeleteFunc(toldOnce(of["tub"]), func(k string) bool { return k != "step_due" })
	c.fact("%d messages, %d of them for steps, reached %+.0f min from the truth", len(all), len(steps), firstOf(of["tub"], "reached").At.Sub(crossing).Minutes())
	c.that(len(steps) >= 5 && len(steps) <= 12, "%d steps are told", len(steps))
}

// percents finds the whole percentages in a text, and clocks the times of day.
func percents(text string) []float64 {
	var out []float64
	for _, m := range regexp.MustCompile(`(\d+)\s?%`).FindAllStringSubmatch(text, -1) {
		n, err := strconv.ParseFloat(m[1], 64)
		if err == nil {
			out = append(out, n)
		}
	}
	return out
}

func clocks(text string) []string { return regexp.MustCompile(`\b\d\d:\d\d\b`).FindAllString(text, -1) }

// checkPage looks on the page for what the API says: the rise, the time and the step
// that is due.
func checkPage(c *check, s *story, v view) {
	text := s.k.pageText()
	c.that(strings.Contains(text, "tub"), "the page names no tub")
	c.that(slices.ContainsFunc(percents(text), func(p float64) bool { return math.Abs(p-v.percent()) <= 1 }),
		"the page has no %.0f %% among %v", v.percent(), percents(text))
	if v.Ready != nil && !v.ReadyIsPast {
		c.that(slices.ContainsFunc(clocks(text), func(x string) bool {
			at, err := time.Parse("15:04", x)
			off := (at.Hour()-v.Ready.Hour())*60 + at.Minute() - v.Ready.Minute()
			return err == nil && off >= -6 && off <= 6 // the page may round
		}), "the page does not say %s: %v", v.Ready.Format("15:04"), clocks(text))
	}
	for _, st := range v.Steps {
		if st.State == "due" {
			c.that(strings.Contains(strings.ToLower(text), strings.ToLower(st.Name)), "the page does not name the step %q that is due", st.Name)
		}
	}
}

// compare holds two views of the same moment against each other.
func compare(c *check, when string, want, got view) {
	c.that(want.Phase == got.Phase, "%s: phase is %s, not %s", when, got.Phase, want.Phase)
	c.near(when+": rise", want.percent(), got.percent(), 5)
	c.near(when+": mark", value(want.Target), value(got.Target), 0.01)
	c.that(want.InFridge == got.InFridge, "%s: in the fridge is %v", when, got.InFridge)
	c.equal(when+": events", want.kinds(), got.kinds())
	c.equal(when+": closed steps", want.closedSteps(), got.closedSteps())
	c.that(want.Plan == got.Plan && want.Pending == got.Pending, "%s: plan is %q, not %q", when, got.Plan, want.Plan)
	switch {
	case (want.Started == nil) != (got.Started == nil):
		c.wrong("%s: started is %v, not %v", when, got.Started, want.Started)
	case want.Started != nil:
		c.moment(when+": start", *want.Started, *got.Started, time.Minute)
	}
	if want.Ready != nil && got.Ready != nil {
		c.moment(when+": forecast", *want.Ready, *got.Ready, max(tolerance("near"), want.Doubt/2))
	}
}

// moments are those of the whole bake just before each entry.
func moments() []time.Duration {
	var out []time.Duration
	for _, e := range wholeBake() {
		out = append(out, e.after-readEvery)
	}
	return append(out, storyLasts)
}

// TestUndo does each event of a whole bake some minutes too early and takes it back: by
// the time it is really done, all is as if it had never been. The twin is the same bake
// without mistakes.
func TestUndo(t *testing.T) {
	t.Parallel()
	var plain []view
	var messages []string
	s := tellStory(t, houseYAML, morning(), wholeBake())
	for i, m := range moments() {
		s.play(m)
		plain = append(plain, s.k.see(vesselOf(i)))
	}
	messages = toldOnce(s.k.phone.messages())
	undone := tellStory(t, houseYAML, morning(), wholeBake())
	for i, m := range moments() {
		if i == len(wholeBake()) {
			break
		}
		e := wholeBake()[i]
		run(t, fmt.Sprintf("%02d %s %s", i+1, e.vessel, strings.TrimSpace(e.deed.Kind+" "+e.deed.Step)), func(t *testing.T, c *check) {
			early := m - 2*time.Minute
			if i > 0 {
				early = max(early, wholeBake()[i-1].after)
			}
			undone.play(early)
			if err := undone.k.do(e.vessel, e.deed); err != nil {
				c.fact("too early is refused")
				t.Log(err)
				undone.play(m)
			} else {
				undone.play(m - readEvery)
				last := undone.k.see(e.vessel).last()
				if err := undone.k.do(e.vessel, deed{Kind: "undo", Event: last.ID}); err != nil {
					c.wrong("undo of %s: %v", last.Kind, err)
				}
				undone.k.advance()
				undone.play(m)
			}
			compare(c, "then", plain[i], undone.k.see(e.vessel))
		})
	}
	run(t, "at the end", func(t *testing.T, c *check) {
		undone.play(storyLasts)
		compare(c, "at the end", plain[len(plain)-1], undone.k.see("tub"))
	})
	run(t, "messages", func(t *testing.T, c *check) {
		c.equal("messages", withoutSteps(messages), withoutSteps(toldOnce(undone.k.phone.messages())))
	})
}

// vesselOf is the vessel of the i-th entry.
func vesselOf(i int) string {
	if i < len(wholeBake()) {
		return wholeBake()[i].vessel
	}
	return "tub"
}

// withoutSteps leaves out the steps: one done by mistake may have been told of already.
func withoutSteps(kinds []string) []string {
	return slices.DeleteFunc(slices.Clone(kinds), func(k string) bool { return k == "step_due" })
}

// TestRestart ends the program again and again in a whole bake, in order and by a kill
// in turn: each time it says after the start what it said before, and in all it tells
// what a program that was never ended tells.
func TestRestart(t *testing.T) {
	t.Parallel()
	plain := tellStory(t, houseYAML, morning(), wholeBake())
	plain.play(storyLasts)
	s := tellStory(t, houseYAML, morning(), wholeBake())
	over := &check{} // what is wrong of a rise that is over
	run(t, "whole bake", func(t *testing.T, c *check) {
		n := 0
		for at := *every; at < storyLasts; at += *every {
			s.play(at)
			before := map[string]view{"jar": s.k.see("jar"), "tub": s.k.see("tub")}
			s.k.restart(n%2 == 1, 0)
			s.k.advance()
			n++
			for vessel, v := range before {
				restarted(c, over, fmt.Sprintf("%s of %s", s.k.now().Format("15:04"), vessel), v, s.k.see(vessel))
			}
		}
		s.play(storyLasts)
		c.fact("%d restarts", n)
		c.that(len(s.refused) == 0, "refused: %v", s.refused)
		v := s.k.see("tub")
		c.that(v.stepState("slice") == "done", "slice is %q", v.stepState("slice"))
	})
	run(t, "messages", func(t *testing.T, c *check) {
		want, got := firsts(plain.k.phone.messages()), firsts(s.k.phone.messages())
		c.equal("messages", messageKinds(want), messageKinds(got))
		for i := range min(len(want), len(got)) {
			c.moment("message "+want[i].Kind, want[i].At, got[i].At, 6*time.Minute)
		}
		c.fact("%d messages and %d repeats, %d without restarts", len(got), len(s.k.phone.messages())-len(got), len(plain.k.phone.messages())-len(want))
	})
	run(t, "a rise that is over", func(t *testing.T, c *check) { c.problems = over.problems })
}

// restarted compares what was said before and after a restart. A rise that is over goes
// to a check of its own.
func restarted(c, over *check, when string, before, after view) {
	if before.Phase == "ended" || before.Phase == "idle" {
		compare(over, when, before, after)
		c.equal(when+": closed steps", before.closedSteps(), after.closedSteps())
	} else {
		compare(c, when, before, after)
	}
	for _, kind := range before.openAlarms() {
		c.that(slices.Contains(after.openAlarms(), kind), "%s: the warning %s is gone", when, kind)
	}
}

// firsts leaves out repeats and ends.
func firsts(all []message) []message {
	var out []message
	for _, m := range all {
		if !slices.ContainsFunc(out, func(o message) bool { return o.Alarm == m.Alarm }) {
			out = append(out, m)
		}
	}
	return out
}

// messageKinds lists the kinds in order.
func messageKinds(all []message) []string {
	var out []string
	for _, m := range all {
		out = append(out, m.Kind)
	}
	return out
}

// tubYAML is the tub alone, without steps.
const tubYAML = `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 220}
`

// rising is the tub filled and started five minutes into the story.
func rising(t *testing.T, yaml string, wall time.Time, more ...entry) *story {
	t.Helper()
	s := tellStory(t, yaml, wall, append([]entry{{5 * time.Minute, "tub", deed{Kind: "start"}}}, more...))
	s.tub = [2]time.Duration{5 * time.Minute, 99 * time.Hour}
	return s
}

// in is a moment of a rise that began five minutes into the story.
func in(d time.Duration) time.Duration { return 5*time.Minute + d }

// TestClock sets the clock in mid-rise: nothing of the dough changes by it.
func TestClock(t *testing.T) {
	t.Parallel()
	fold := entry{in(50 * time.Minute), "tub", deed{Kind: "fold"}}
	twin := rising(t, tubYAML, morning(), fold)
	twin.play(in(2*time.Hour + time.Minute))
	plain := twin.k.see("tub")
	for _, row := range []struct {
		name   string
		starts time.Time
		by     time.Duration
	}{
		{"three hours forth", morning(), 3 * time.Hour},
		{"three hours back", morning(), -3 * time.Hour},
		{"from 1970", time.Unix(30, 0).UTC(), morning().Sub(time.Unix(30, 0))},
	} {
		run(t, row.name, func(t *testing.T, c *check) {
			s := rising(t, tubYAML, row.starts, fold)
			s.play(in(2 * time.Hour))
			before := s.k.see("tub")
			told := len(s.k.phone.messages())
			s.k.m.set(s.k.m.now().Add(row.by))
			s.play(in(2*time.Hour + time.Minute))
			after := s.k.see("tub")
			c.that(len(s.k.phone.messages()) == told, "setting a clock is told: %v", s.k.phone.messages()[told:])
			c.near("rise", before.percent(), after.percent(), 4)
			c.that(before.Phase == after.Phase, "phase %s becomes %s", before.Phase, after.Phase)
			c.moment("start", before.Started.Add(row.by), *after.Started, 5*time.Second)
			c.equal("events", before.kinds(), after.kinds())
			for i := range min(len(before.Events), len(after.Events)) {
				c.moment("event "+before.Events[i].Kind, before.Events[i].At.Add(row.by), after.Events[i].At, 5*time.Second)
			}
			c.that(after.Ready != nil, "the forecast is gone")
			if plain.Ready != nil && after.Ready != nil {
				c.moment("forecast", plain.Ready.Add(row.starts.Add(row.by).Sub(morning())), *after.Ready, 10*time.Minute)
			}
			s.k.restart(false, 0)
			s.play(in(doubles(doughRise) + 10*time.Minute))
			told2 := s.k.phone.messages()
			c.equal("messages", []string{"near", "reached"}, withoutClock(toldOnce(told2)))
			c.moment("reached", s.at(in(doubles(doughRise))).Add(row.by), firstOf(told2, "reached").At, tolerance("reached"))
			s.act("tub", deed{Kind: "undo", Event: s.k.see("tub").last().ID})
			c.equal("events after an undo", []string{"start"}, s.k.see("tub").kinds())
			c.that(len(s.refused) == 0, "refused: %v", s.refused)
		})
	}
}

// withoutClock leaves out what is told of the clock itself.
func withoutClock(kinds []string) []string {
	return slices.DeleteFunc(slices.Clone(kinds), func(k string) bool { return k == "clock_not_set" })
}

// TestShape gives the tub its true floor in mid-rise.
func TestShape(t *testing.T) {
	t.Parallel()
	measured := strings.Replace(tubYAML, "floor_mm: 240", "floor_mm: 255", 1)
	require.NotEqual(t, tubYAML, measured)
	play := func(t *testing.T) *story {
		t.Helper()
		s := rising(t, tubYAML, morning())
		s.floorMM = 255 // 240 was measured wrongly
		s.play(in(150 * time.Minute))
		s.k.reload(measured)
		s.play(in(152 * time.Minute))
		return s
	}
	run(t, "counts for the open rise", func(t *testing.T, c *check) {
		s := play(t)
		c.near("rise with the measured floor", doughRise(152*time.Minute), s.k.see("tub").percent(), 5)
		c.moment("start", s.at(in(0)), *s.k.see("tub").Started, time.Minute)
		s.play(in(doubles(doughRise) + 20*time.Minute))
		c.equal("messages", []string{"near", "reached"}, toldOnce(s.k.phone.messages()))
		c.moment("reached", s.at(in(doubles(doughRise))), s.first("reached").At, tolerance("reached"))
	})
	run(t, "keeps rise and events", func(t *testing.T, c *check) {
		s := play(t)
		v := s.k.see("tub")
		c.moment("start", s.at(in(0)), *v.Started, time.Minute)
		c.equal("events", []string{"start", "measured"}, v.kinds()) // the household is told why the rise looks otherwise
		c.that(len(s.k.phone.messages()) == 0, "told: %v", s.k.phone.messages())
	})
}

// TestFold tells a fold late, and gives one another time.
func TestFold(t *testing.T) {
	t.Parallel()
	fold := func(at time.Duration) entry { return entry{in(at), "tub", deed{Kind: "fold"}} }
	inTime := func(t *testing.T) view {
		t.Helper()
		s := rising(t, tubYAML, morning(), fold(40*time.Minute))
		s.play(in(80 * time.Minute))
		return s.k.see("tub")
	}
	run(t, "told late", func(t *testing.T, c *check) {
		s := rising(t, tubYAML, morning())
		s.play(in(60 * time.Minute))
		s.act("tub", deed{Kind: "fold", At: s.at(in(40 * time.Minute))})
		s.play(in(80 * time.Minute))
		v := s.k.see("tub")
		compare(c, "then", inTime(t), v)
		c.that(len(s.refused) == 0, "refused: %v", s.refused)
		c.moment("fold", s.at(in(40*time.Minute)), v.last().At, time.Second)
	})
	run(t, "another time", func(t *testing.T, c *check) {
		s := rising(t, tubYAML, morning(), fold(58*time.Minute))
		s.play(in(60 * time.Minute))
		err := s.k.correct("tub", s.k.see("tub").last().ID, s.at(in(40*time.Minute)))
		if err != nil {
			c.wrong("%v", err)
			return
		}
		s.play(in(80 * time.Minute))
		v := s.k.see("tub")
		compare(c, "then", inTime(t), v)
		c.moment("fold", s.at(in(40*time.Minute)), v.last().At, time.Second)
	})
}

// TestPlan follows a plan from before the dough, over a restart, and leaves it.
func TestPlan(t *testing.T) {
	t.Parallel()
	run(t, "followed and left", func(t *testing.T, c *check) {
		const alone = "    batch:"
		tub := houseYAML[strings.Index(houseYAML, "  - name: tub"):]
		require.Contains(t, tub, alone)
		s := tellStory(t, "household: {time_zone: UTC}\nvessels:\n"+tub, morning(), nil)
		s.tub = [2]time.Duration{99 * time.Hour, 99 * time.Hour}
		s.play(5 * time.Minute)
		before := s.k.see("tub")
		p := plan{Asked: s.k.now(), Ready: s.at(27 * time.Hour), Ripe: s.at(30 * time.Hour), AirC: 24}
		ways, err := s.k.ways("tub", p)
		require.NoError(t, err)
		c.that(len(ways) > 0, "no way to a bread in 27 hours")
		p.Way = ways[0]
		s.act("tub", deed{Kind: "plan", Plan: &p})
		v := s.k.see("tub")
		c.that(v.Plan == p.Way && v.Pending, "plan is %q, pending %v", v.Plan, v.Pending)
		c.that(v.stepState("mix") != "" && v.stepState("slice") != "", "the plan has no steps: %v", v.Steps)
		filled := dueAt(s, "mix")
		c.that(filled > 0, "mix is never due")
		c.that(strings.Contains(s.k.pageText(), p.Way) || strings.Contains(strings.ToLower(s.k.pageText()), "mix"), "the page does not name the step that is due")
		s.act("tub", deed{Kind: "step", Step: "mix"})
		filled = dueAt(s, "salt")
		s.act("tub", deed{Kind: "step", Step: "salt"})
		s.tub[0] = s.gone
		s.play(filled + 90*time.Minute)
		v = s.k.see("tub")
		c.that(v.Plan == p.Way && !v.Pending, "with the dough in the tub, plan is %q, pending %v", v.Plan, v.Pending)
		c.near("rise", doughRise(90*time.Minute), v.percent(), 6)
		s.k.restart(true, 0)
		s.k.advance()
		compare(c, "after a restart", v, s.k.see("tub"))
		undoAll(c, s)
		s.play(s.gone + 3*time.Minute)
		v = s.k.see("tub")
		c.that(v.Plan == before.Plan && !v.Pending, "left, plan is %q", v.Plan)
		c.equal("events", nil, v.kinds())
		c.that(len(s.refused) == 0, "refused: %v", s.refused)
		c.fact("%q of %d ways", p.Way, len(ways))
	})
}

// undoAll takes every event of the tub back, the last one first.
func undoAll(c *check, s *story) {
	for range 20 {
		v := s.k.see("tub")
		if len(v.Events) == 0 {
			return
		}
		if err := s.k.do("tub", deed{Kind: "undo", Event: v.last().ID}); err != nil {
			c.wrong("undo of %s: %v", v.last().Kind, err)
			return
		}
	}
}

// dueAt plays until a step is due and returns when; zero when it never is.
func dueAt(s *story, id string) time.Duration {
	for range 30 * 60 {
		s.play(s.gone + time.Minute)
		if s.k.see("tub").stepState(id) == "due" {
			return s.gone
		}
	}
	return 0
}

// TestAnswer answers a warning and restarts: nobody is asked twice.
func TestAnswer(t *testing.T) {
	t.Parallel()
	mark := in(doubles(doughRise))
	reached := func(t *testing.T) (*story, alarm) {
		t.Helper()
		s := rising(t, tubYAML, morning())
		for s.first("reached").At.IsZero() && s.gone < mark+30*time.Minute {
			s.play(s.gone + time.Minute)
		}
		for _, a := range s.k.see("tub").Alarms {
			if a.Kind == "reached" {
				return s, a
			}
		}
		t.Fatal("reached is not told")
		return nil, alarm{}
	}
	count := func(s *story) int {
		n := 0
		for _, m := range s.k.phone.messages() {
			if m.Kind == "reached" {
				n++
			}
		}
		return n
	}
	restart := func(s *story) {
		s.k.restart(true, 0)
		s.play(s.gone + time.Minute)
		s.k.restart(false, 0)
	}
	const lasts = 24 * time.Minute // before the dough is over the mark
	run(t, "nobody answers", func(t *testing.T, c *check) {
		s, _ := reached(t)
		restart(s)
		s.play(s.gone + lasts)
		c.that(count(s) == 2, "told %d times", count(s))
	})
	run(t, "seen", func(t *testing.T, c *check) {
		s, a := reached(t)
		s.act("tub", deed{Kind: "ack", Alarm: a.ID})
		restart(s)
		s.play(s.gone + lasts)
		c.that(count(s) == 1, "told %d times", count(s))
		c.that(len(s.refused) == 0, "refused: %v", s.refused)
	})
	run(t, "later", func(t *testing.T, c *check) {
		s, a := reached(t)
		s.act("tub", deed{Kind: "snooze", Alarm: a.ID, Snooze: 12 * time.Minute})
		asked := s.gone
		restart(s)
		s.play(asked + 10*time.Minute)
		c.that(count(s) == 1, "told %d times within 10 of 12 minutes", count(s))
		s.play(asked + 14*time.Minute)
		c.that(count(s) == 2, "told %d times after 12 minutes", count(s))
		s.act("tub", deed{Kind: "ack", Alarm: a.ID})
		c.that(len(s.refused) == 0, "refused: %v", s.refused)
	})
}
