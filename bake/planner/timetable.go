package planner

import (
	"fmt"
	"math"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// levain says when mixing can begin at the earliest from the wished moment, and
// which feed that needs. The feed is laid into waking hours when a usual ratio
// allows it.
func (w Wish) levain(mix time.Time, needG float64) (time.Time, *bake.Feed) {
	mix = later(mix, w.Now)
	s := w.Starter
	if !s.RipeUntil.IsZero() && s.RipeUntil.After(w.Now) {
		ripe := later(mix, s.RipeFrom)
		if !ripe.After(s.RipeUntil) {
			return ripe, nil
		}
	}
	v := bake.LearnVigour(s.Past)
	var spare *bake.Feed
	for _, parts := range []float64{2, 3, 1, 4, 5, 10} {
		f := bake.NewFeed(time.Time{}, parts, needG+20, w.Room.C)
		_, mid, _ := v.PeakHours(f, w.Room.C)
		f.At = mix.Add(-hoursOf(mid))
		if f.At.Before(w.Now) {
			continue
		}
		if !w.asleep(f.At) {
			return mix, &f
		}
		if spare == nil {
			spare = &f
		}
	}
	if spare != nil {
		return mix, spare
	}
	f := bake.NewFeed(w.Now, 1, needG+20, w.Room.C)
	_, mid, _ := v.PeakHours(f, w.Room.C)
	return w.Now.Add(hoursOf(mid)), &f
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// feedSteps is the starter's part of the timetable.
func feedSteps(f *bake.Feed, w Wish, mix time.Time) []bake.Step {
	if f == nil {
		return nil
	}
	care, err := bake.Tend(*f, w.Starter.Past, w.Room.C, time.Time{}, w.FridgeC)
	if err != nil {
		return nil
	}
	steps := care.Steps(w.Now)[:2]
	steps[0].State = bake.Waiting
	steps[0].Do = fmt.Sprintf("Feed %.0f g of starter with %.0f g flour and %.0f g water (%s).", f.StarterG, f.FlourG, f.WaterG, f.Ratio())
	steps[1].State = bake.Waiting
	steps[1].Do = fmt.Sprintf("The levain is at its best between %s and %s.", care.UseFrom.Format("15:04"), care.UseUntil.Format("15:04"))
	return steps
}

// process is the step list of the way, with the crowd's times as the usual
// ones, so that an adopted plan starts from them and then follows the sensor.
func (j *job) process(bulkEnd float64) bake.Process {
	speed := bake.Speed(j.y.spot.C)
	usual := func(list []float64) bake.Spread {
		l := append([]float64(nil), list...)
		m := func(q float64) int { return max(1, int(math.Round(quantile(l, q)*60*speed))) }
		return bake.Spread{LowMin: m(0.1), MidMin: m(0.5), HighMin: m(0.9)}
	}
	p := bake.DefaultProcess(j.start, j.y.spot.C)
	if j.y.cold {
		p = bake.RetardProcess(j.start, j.y.spot.C, 0)
	}
	p = p.WithBatch(j.batch)
	bulk := make([]float64, len(j.acts))
	proof := make([]float64, len(j.acts))
	for i, q := range j.paths {
		bulk[i] = j.acts[i] - mixHours
		if j.y.cold {
			bulk[i] = math.Max(0.1, bulk[i]-shapeHours)
		}
		proof[i] = proofHours * q.d.slow / j.crowd.speed(q.d, q.place)
	}
	for i := range p.Defs {
		switch d := &p.Defs[i]; d.ID {
		case bake.BulkID:
			d.Usual = usual(bulk)
			d.RisePercent = bulkEnd
			d.Do = fmt.Sprintf("Leave the dough %s until it has risen by %.0f %%.", j.y.spot.Name, bulkEnd)
		case bake.ProofID:
			d.Usual = usual(proof)
		case bake.RetardID:
			d.UntilAt = j.bakeAt
		}
	}
	return p
}

// steps lays the process out before anything has happened.
func (j *job) steps(p Plan) []bake.Step {
	nan := math.NaN()
	unseen := estimator.Estimate{Phase: estimator.Idle, AirC: nan, DoughC: nan, RisePercent: nan}
	steps := p.Process.Steps(j.w.Now.Add(-time.Minute), unseen)
	for i := range steps {
		if steps[i].ID == bake.SliceID {
			steps[i].From, steps[i].At, steps[i].Until = p.Ready.From, p.Ready.Median, p.Ready.Until
		}
		steps[i].Why = ""
	}
	return steps
}

// notes says what is worth knowing beside the timetable.
func (j *job) notes(p Plan) []string {
	var out []string
	n, _ := j.w.Batch.Numbers()
	if math.Abs(j.y.inoc-n.InoculationPercent) > 0.1 {
		b := j.batch
		out = append(out, fmt.Sprintf("Levain %.0f g instead of %.0f g: %.1f %% of the flour fermented instead of %.1f %%; flour %.0f g and water %.0f g at mixing.",
			b.Levain.Grams, j.w.Batch.Levain.Grams, j.y.inoc, n.InoculationPercent, sumFlour(b), b.WaterG))
	}
	if j.y.cold {
		out = append(out, j.coldNote(p))
	}
	if j.start.Before(j.earliest) {
		out = append(out, "Mixing would have to begin in the past.")
	}
	if len(p.Night) > 0 {
		out = append(out, fmt.Sprintf("Hands are needed while you sleep: %s.", joined(p.Night)))
	}
	return out
}

// coldNote says what the refrigerator still adds.
func (j *job) coldNote(p Plan) string {
	adds, worth := make([]float64, len(j.paths)), make([]float64, len(j.paths))
	for i, q := range j.paths {
		e := q.equiv(j.acts[i] - mixHours)
		worth[i] = q.carry(j.w.fridge(), j.acts[i], carryHours)
		adds[i] = q.d.rise(e+worth[i]) - q.d.rise(e)
	}
	s := fmt.Sprintf("End the bulk at %.0f %%: shaping takes 40 minutes, and in the cold a loaf of %.1f kg still does what %.1f h at 24 C would, about %.0f points.",
		p.BulkEndPercent, j.w.fridge().PieceKg, quantile(worth, 0.5), quantile(adds, 0.5))
	if t, known := bake.TargetForRetard(j.y.spot.C); known {
		s += fmt.Sprintf(" A published table ends the bulk at %.0f %% at this temperature.", t)
	}
	return s
}

func sumFlour(b bake.Batch) float64 {
	s := 0.0
	for _, f := range b.Flours {
		s += f.Grams
	}
	return s
}

// joined lists words with commas.
func joined(list []string) string {
	s := ""
	for i, v := range list {
		if i > 0 {
			s += ", "
		}
		s += v
	}
	return s
}
