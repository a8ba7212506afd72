package planner

import (
	"math"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// How long a starter that stood in the refrigerator is refreshed before it raises a
// dough: once after a week, twice after a month. Common practice, no source.
const (
	refreshOnceDays  = 7
	refreshTwiceDays = 28
	feedMin          = 5 // minutes
)

// feeds says how the starter is fed so that it peaks when mixing begins: none when it
// is ripe then; ok is false when it cannot be.
func (w Wish) feeds(mix time.Time, needG float64) (feeds []bake.Feed, ok bool) {
	if s := w.Starter; !s.RipeUntil.IsZero() && !mix.Before(s.RipeFrom) && !mix.After(s.RipeUntil) {
		return nil, true
	}
	ways := w.feedings(mix, needG+spareG, w.refreshes(), 1)
	if len(ways) == 0 {
		return nil, false
	}
	return ways[0], true
}

// spareG is the starter that is left to go on with, grams.
const spareG = 20

// refreshes is how often the starter is refreshed before the feed that counts.
func (w Wish) refreshes() int {
	switch days := w.Starter.ColdDays; {
	case days >= refreshTwiceDays:
		return 2
	case days >= refreshOnceDays:
		return 1
	}
	return 0
}

// feedings lists ways to feed the starter so that it peaks at a moment, most of them,
// after so many refreshes: none past, and none that anybody gets up or comes home for. The
// first feed out of the cold takes longer.
func (w Wish) feedings(peak time.Time, totalG float64, refreshes, most int) (out [][]bake.Feed) {
	slow := 1.0
	if refreshes == 0 {
		slow = []float64{1, 1.3, 1.5}[w.refreshes()]
	}
	for _, f := range bake.LearnVigour(w.Starter.Past).FeedsToPeak(peak, totalG, w.Room.C, slow) {
		if f.At.Before(w.Now) || w.busy(f.At) || w.asleep(f.At) {
			continue
		}
		way := []bake.Feed{f}
		if refreshes > 0 {
			before := w.feedings(f.At, f.StarterG+spareG, refreshes-1, 1)
			if len(before) == 0 {
				continue
			}
			way = append(before[0], f)
		}
		if out = append(out, way); len(out) == most {
			break
		}
	}
	return out
}

// Feeding is a way to feed the starter: refreshes first, and when it peaks.
type Feeding struct {
	Feeds []bake.Feed
	Peak  estimator.Window
}

// Feedings returns the ways to feed the starter alone so that it peaks at w.ReadyAt, the
// next one first; an error when there is none.
func Feedings(w Wish) ([]Feeding, error) {
	w = w.withDefaults()
	if err := w.inRange(); err != nil {
		return nil, err
	}
	var out []Feeding
	for _, feeds := range w.feedings(w.ReadyAt, w.Batch.Levain.Grams, w.refreshes(), 99) {
		last := feeds[len(feeds)-1]
		low, mid, high := bake.LearnVigour(w.Starter.Past).PeakHours(last, w.Room.C)
		slow := w.ReadyAt.Sub(last.At).Hours() / mid
		out = append(out, Feeding{feeds, estimator.Window{From: last.At.Add(hoursOf(low * slow)), Median: w.ReadyAt, Until: last.At.Add(hoursOf(high * slow))}})
	}
	if len(out) == 0 {
		return nil, refuse("peak", "no_feed", bake.Values{"at": w.ReadyAt})
	}
	slices.SortStableFunc(out, func(a, b Feeding) int { return a.Feeds[0].At.Compare(b.Feeds[0].At) })
	return out, nil
}

// Said says the feeds and when the last of them peaks.
func (f Feeding) Said() bake.Sentences {
	var out bake.Sentences
	for i, x := range f.Feeds {
		v := bake.Values{"at": x.At, "ratio": x.Ratio(), "starter_g": x.StarterG, "flour_g": x.FlourG, "water_g": x.WaterG}
		if i < len(f.Feeds)-1 {
			out = append(out, because("refreshing", v)...)
			continue
		}
		v["from"], v["until"] = f.Peak.From, f.Peak.Until
		out = append(out, because("feeding", v)...)
	}
	return out
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// plan works the way out: the best beginning whose timetable, as it is laid out, asks
// for nobody's hands at night.
func (j *job) plan() Plan {
	p := Plan{Way: j.way.name, InoculationPercent: j.way.inoc, TotalPercent: j.total, Late: 1, tub: j.way.tub}
	const most = 24 // beginnings looked at; neighbours differ little
	list := j.trials(startStep)
	for i := range list[:min(len(list), most)] {
		if q := j.laid(p, &list[i]); len(q.Steps) == 0 || j.canBe(q.Steps) {
			return q
		}
	}
	p.Why = because("nothing", nil)
	return p
}

// laid is the plan of one beginning.
func (j *job) laid(p Plan, c *trial) Plan {
	p.BulkEndPercent = j.bulkEnd(c)
	switch {
	case p.BulkEndPercent > j.stands:
		p.Why = because("beyond", bake.Values{"bulk_percent": p.BulkEndPercent})
		return p
	case j.way.tub && p.BulkEndPercent < leastTub:
		p.Why = because("too_warm", bake.Values{"bulk_percent": p.BulkEndPercent})
		return p
	}
	p.Late, p.Chance, p.Ready = c.late, c.chance, c.window(c.ready)
	p.Watched = j.risk(func(i int) float64 { return c.shares[i] })
	act, proof := median(c.acts), median(c.proofs)
	p.Clock = j.risk(func(i int) float64 { return j.unseen(i, act, proof) })
	p.Process = withFeeds(j.process(c, p.BulkEndPercent), c.feeds, c.start)
	if len(c.feeds) > 0 {
		p.Feed = &c.feeds[0]
	}
	p.Steps = j.steps(&p)
	p.early = j.w.ReadyAt.Sub(p.Ready.Median).Hours()
	p.Notes = j.notes(c, p)
	if p.Fits = c.chance >= evenChance; !p.Fits {
		p.Why = j.why(p)
	}
	return p
}

// why says what speaks against a way.
func (j *job) why(p Plan) bake.Sentences {
	var out bake.Sentences
	if p.Late > evenChance {
		out = because("late", bake.Values{"ready": p.Ready.Median, "from": p.Ready.From, "until": p.Ready.Until})
	}
	switch {
	case p.Watched.Over > 0.3:
		out = append(out, because("over", nil)...)
	case p.Watched.Under > 0.3:
		out = append(out, because("under", nil)...)
	}
	if len(out) == 0 {
		out = because("seldom", bake.Values{"chance_percent": 100 * p.Chance})
	}
	return out
}

// bulkEnd is the rise of the middle dough when the bulk ends.
func (j *job) bulkEnd(c *trial) float64 {
	before := 0.0
	switch {
	case j.way.cold:
		before = j.shapeHours
	case !j.way.tub:
		return j.goal
	}
	list := make([]float64, len(j.paths))
	for i, p := range j.paths {
		list[i] = p.d.rise(p.equiv(c.acts[i] - j.mixHours - before))
	}
	return math.Max(5, math.Round(median(list)))
}

// canBe reports whether somebody can lend a hand wherever a timetable asks for one, and
// the oven is free.
func (j *job) canBe(steps []bake.Step) bool {
	if span, ok := OvenSpan(steps); ok && j.w.ovenClash(span) {
		return false
	}
	return !slices.ContainsFunc(steps, func(s bake.Step) bool {
		return s.Hands && s.ID != bake.SliceID && (j.w.busy(s.At) || s.Takes > 0 && j.w.busy(s.At.Add(s.Takes)))
	})
}

// process is the step list of the way, with the crowd's times as the usual ones, so
// that an adopted plan starts from them and then follows the sensor.
func (j *job) process(c *trial, bulkEnd float64) bake.Process {
	p := bake.NewProcess(j.batch, c.start, j.way.spot.C)
	wait := "wait-cold"
	if j.w.NoFridge {
		wait = "wait-cool"
	}
	p.Reworded(bake.WaitID, wait, bake.Values{"at_once": float64(max(1, j.batch.AtOnce))})
	speed := bake.Speed(j.way.spot.C)
	usual := func(hours func(i int) float64) bake.Spread {
		l := make([]float64, len(j.paths))
		for i := range l {
			l[i] = hours(i)
		}
		m := func(q float64) int { return max(1, int(math.Round(quantile(l, q)*60*speed))) }
		return bake.Spread{LowMin: m(0.1), MidMin: m(0.5), HighMin: m(0.9)}
	}
	bulk := func(i int) float64 { return math.Max(1, c.acts[i]-j.mixHours) }
	key := "bulk.percent"
	if j.kind == bake.Rye {
		key = "bulk.rye"
	}
	switch {
	case j.way.cold:
		p = p.Retarded(0)
		p.Until(bake.RetardID, c.out)
		bulk = func(i int) float64 { return math.Max(1, c.acts[i]-j.mixHours-j.shapeHours) }
	case j.way.tub:
		p = p.TubRetarded(c.out)
		p.Usually(bake.ProofID, 0, usual(func(i int) float64 { return c.proofs[i] }))
		key = "bulk.cold"
	default:
		p.Usually(bake.ProofID, 0, usual(func(i int) float64 { return c.proofs[i] }))
	}
	p.Usually(bake.BulkID, bulkEnd, usual(bulk))
	p.Reworded(bake.BulkID, key, bake.Values{"rise_percent": bulkEnd})
	j.water(&p)
	return p
}

// water puts the temperature of the water into the step of mixing.
func (j *job) water(p *bake.Process) {
	if j.batch.WaterG <= 0 {
		return
	}
	w, err := j.batch.MixingWater(j.w.mixing(j.w.DoughC))
	if err != nil {
		return // said in the notes
	}
	key, v := "mix.water", bake.Values{"water_g": j.batch.WaterG, "water_c": w.TempC, "dough_c": j.w.DoughC}
	switch {
	case w.IceG > 0:
		key, v["ice_g"] = "mix.ice", w.IceG
	case j.kind == bake.Rye:
		key = "mix.rye.water"
	case j.batch.Milky():
		key = "mix.milk"
	}
	p.Reworded(bake.MixID, key, v)
}

// steps lays the process out before anything has happened. The middle of when the bread
// is ready is that of its timetable.
func (j *job) steps(p *Plan) []bake.Step {
	nan := math.NaN()
	unseen := estimator.Estimate{Phase: estimator.Idle, AirC: nan, DoughC: nan, RisePercent: nan}
	steps := p.Process.Steps(j.w.Now.Add(-time.Minute), unseen)
	steps = slices.DeleteFunc(steps, func(s bake.Step) bool { return s.State == bake.Skipped }) // folds that would come too late
	j.awake(steps)
	for i := range steps {
		s := &steps[i]
		s.Why = nil
		if s.ID == bake.SliceID {
			p.Ready.Median = s.At
			p.Ready.From, p.Ready.Until = earlier(j.w.nextFree(p.Ready.From), s.At), later(j.w.nextFree(p.Ready.Until), s.At)
			s.From, s.Until = p.Ready.From, p.Ready.Until
		}
	}
	return steps
}

// awake moves what an early or a late dough asks for at night to the morning: no oven is
// lit, and no loaf comes out of it, while the household sleeps.
func (j *job) awake(steps []bake.Step) {
	k, check := stepOf(steps, bake.BakeID), stepOf(steps, bake.OvenCheckID)
	for i := range steps {
		s, lead, lasts := &steps[i], time.Duration(0), time.Duration(0)
		if i == k || s.ID == bake.ProofID {
			lead, lasts = steps[k].At.Sub(steps[check].At), hoursOf(j.ovenHours)
		}
		up := func(t time.Time) time.Time {
			from := j.w.nextFree(t.Add(-lead))
			if out := from.Add(lead + lasts); j.w.asleep(out) {
				from = j.w.nextFree(out)
			}
			return from.Add(lead)
		}
		s.From = earlier(up(s.From), s.At)
		if s.Hands || s.ID == bake.ProofID {
			s.Until = later(up(s.Until), s.At)
		}
	}
	for i := range steps {
		if s := &steps[i]; (i > k || s.Trigger == bake.Ahead) && s.ID != bake.SliceID { // as the oven goes
			by := s.At.Sub(steps[k].At)
			s.From, s.Until = earlier(steps[k].From.Add(by), s.At), later(steps[k].Until.Add(by), s.At)
		}
	}
}

func stepOf(steps []bake.Step, id string) int {
	return slices.IndexFunc(steps, func(s bake.Step) bool { return s.ID == id })
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// mostOnTray is how many rolls are taken to fit a household's tray. Common practice, no
// source.
const mostOnTray = 12

// notes says what is worth knowing beside the timetable.
func (j *job) notes(c *trial, p Plan) []bake.Said {
	out := j.batch.Warnings()
	note := func(key string, v bake.Values) { out = append(out, because("note."+key, v)...) }
	n, _ := j.w.Batch.Numbers()
	b, roomC := j.batch, j.w.Room.C
	if math.Abs(j.way.inoc-n.InoculationPercent) > 0.1 {
		note("levain", bake.Values{"levain_g": b.Levain.Grams, "usual_g": j.w.Batch.Levain.Grams, "flour_g": sumFlour(b), "water_g": b.WaterG})
	}
	if j.way.cold || j.way.tub {
		out = append(out, j.coldNote(c, p)...)
	} else if j.w.TargetPercent > p.BulkEndPercent+2 {
		note("below_target", bake.Values{"bulk_percent": p.BulkEndPercent, "target_percent": j.w.TargetPercent})
	}
	if in := p.Steps[stepOf(p.Steps, bake.BakeID)]; j.w.lastBed(in.Until).After(in.At) {
		key := "late_proof"
		if j.w.NoFridge || j.kind == bake.Rye {
			key += ".cool"
		}
		note(key, bake.Values{"bed": j.w.lastBed(in.Until)})
	}
	switch ware := b.Ware(); {
	case b.AtOnce > 0:
	case b.Loaves > 1 && ware == bake.Pot:
		note("pots", bake.Values{"loaves": b.Loaves})
	case b.Loaves > mostOnTray && ware == bake.Tray:
		note("trays", bake.Values{"loaves": b.Loaves})
	}
	if _, err := b.MixingWater(j.w.mixing(j.w.DoughC)); err != nil {
		note("water", bake.Values{"dough_c": j.w.DoughC})
	}
	if roomC < 18 {
		note("cool", bake.Values{"room_c": roomC, "times_tenth": 1 / bake.Speed(roomC), "usual_c": 24.0, "least_c": 12.0})
	}
	if b.Perishable() {
		note("perishable", nil)
	}
	return out
}

// coldNote says in plain terms what the refrigerator still adds.
func (j *job) coldNote(c *trial, p Plan) bake.Sentences {
	worth := make([]float64, len(j.paths))
	for i, q := range j.paths {
		worth[i] = j.carry[i].at(c.acts[i]) / q.end
	}
	v := bake.Values{"mass_g": 1000 * j.w.loafKg(), "hours_tenth": median(worth), "bulk_percent": p.BulkEndPercent}
	if j.way.tub {
		v["mass_g"] = 1000 * j.w.massKg()
		return because("note.cold.tub", v)
	}
	out := because("note.cold", v)
	if t, known := bake.TargetForRetard(j.way.spot.C); known {
		out = append(out, because("note.table", bake.Values{"table_percent": t})...)
	}
	return out
}

func sumFlour(b bake.Batch) float64 {
	s := 0.0
	for _, f := range b.Flours {
		s += f.Grams
	}
	return s
}
