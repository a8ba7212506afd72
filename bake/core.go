package bake

import (
	"cmp"
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// Keeping and reading the core; common practice, no source.
const (
	coreEvery    = time.Minute      // spacing of what is kept
	coreFresh    = 5 * time.Minute  // a probe silent for longer tells nothing
	coreMost     = 400              // points kept
	bakedFromC   = 60.0             // a core that was hotter has been baked
	outDropC     = 3.0              // so far below its highest: out of the oven
	probeDropC   = 15.0             // so much within dropWithin: the probe was pulled
	dropWithin   = 3 * time.Minute  //
	coreWaits    = 30 * time.Minute // how long the clock is overruled by a core not done yet
	quickestFall = 6.0              // 1/h; nothing that bakes cools faster
	usualRoomC   = 22.0             // when no thermometer tells
)

// loaded reports whether a loaf of this process is in the oven, or was.
func (p *Process) loaded() bool {
	s := p.Marks[BakeID].State
	return s == Started || s == Done
}

// followCore takes in a reading of the core. It notes when the core is in the
// done range, sees by its fall that the loaf is out, and then works out when it
// is cool enough to slice. It does nothing before the loaf is in the oven. Temperatures
// in Celsius, of the loaf and of where it will cool, NaN when not known; the altitude of
// the kitchen in metres.
func (p *Process) followCore(now time.Time, coreC, roomC, altitudeM float64) {
	if !p.loaded() || p.closed(SliceID) || !p.keepCore(now, coreC) {
		return
	}
	p.Track.Done = p.Batch.doneCore(altitudeM)
	p.noteDone()
	p.noteOut()
	p.forecastCool(roomC)
}

// keepCore keeps a reading, one a minute, and reports whether it did.
func (p *Process) keepCore(now time.Time, c float64) bool {
	t := &p.Track
	if m := p.Marks[BakeID]; len(t.Core) > 0 && t.Core[0].At.Before(begunOf(m)) {
		t.Core, t.DoneAt, t.CoolBy = nil, time.Time{}, estimator.Window{} // of an earlier loading
	}
	if math.IsNaN(c) || c < -10 || c > 130 {
		return false
	}
	if n := len(t.Core); n > 0 && now.Sub(t.Core[n-1].At) < coreEvery {
		return false
	}
	t.Core = append(t.Core, tempPoint{now, c})
	if len(t.Core) > coreMost {
		t.Core = slices.Delete(slices.Clone(t.Core), 1, len(t.Core)-coreMost+1)
	}
	return true
}

// begunOf is when a step was begun, or done when nobody said when it began.
func begunOf(m Mark) time.Time {
	if m.Begun.IsZero() {
		return m.At
	}
	return m.Begun
}

// noteDone sets DoneAt once two readings in a row are in the done range: one
// may be a fault. A loaf under a lid is not done, nor one that had no time to
// get a crust since.
func (p *Process) noteDone() {
	t := &p.Track
	n := len(t.Core)
	if !t.DoneAt.IsZero() || n < 2 || t.Core[n-1].C < t.Done.LowC || t.Core[n-2].C < t.Done.LowC {
		return
	}
	if crust := p.lidOff().Add(leastOpenMin * time.Minute); !t.Core[n-1].At.Before(crust) {
		t.DoneAt = Later(t.Core[n-2].At, crust)
	}
}

// lidOff is when the lid came off, by what was told, else by the step list; zero
// for a loaf that bakes without one.
func (p *Process) lidOff() time.Time {
	open, ok := p.def(UncoverID)
	switch m := p.Marks[UncoverID]; {
	case !ok || p.Batch.Ware() != Pot:
		return time.Time{}
	case m.State == Done:
		return m.At
	case m.State == Started:
		return m.Begun
	}
	return begunOf(p.Marks[BakeID]).Add(minutes(open.WaitMin))
}

// noteOut closes the step of taking out when the core falls as a loaf's does. A
// probe that was pulled falls faster.
func (p *Process) noteOut() {
	t := &p.Track
	if _, ok := p.def(OutID); !ok || p.closed(OutID) || len(t.Core) < 4 {
		return
	}
	peak := slices.MaxFunc(t.Core, func(a, b tempPoint) int { return cmp.Or(cmp.Compare(a.C, b.C), a.At.Compare(b.At)) })
	last := t.Core[len(t.Core)-1]
	if peak.C >= bakedFromC && peak.C-last.C >= outDropC && last.At.Sub(peak.At) >= dropWithin && !pulled(t.Core) {
		_ = p.Done(OutID, peak.At, "probe") // it is open
	}
}

// pulled reports whether the readings fell as only those of a probe without a
// loaf do.
func pulled(core []tempPoint) bool {
	for i := len(core) - 1; i > 0; i-- {
		for j := i - 1; j >= 0 && core[i].At.Sub(core[j].At) <= dropWithin; j-- {
			if core[j].C-core[i].C > probeDropC {
				return true
			}
		}
	}
	return false
}

// forecastCool works out CoolBy once the loaf is out: when its core is, or was, at
// sliceCoreC. A loaf rich in rye rests longer than it cools, so the probe does not decide
// there.
func (p *Process) forecastCool(roomC float64) {
	t := &p.Track
	pts := pastPeak(t.Core)
	if p.Marks[OutID].State != Done || p.Batch.ryePercent() >= ryeRichPercent || pulled(pts) {
		return
	}
	if math.IsNaN(roomC) {
		roomC = usualRoomC
	}
	if i := slices.IndexFunc(pts, func(c tempPoint) bool { return c.C <= sliceCoreC }); i >= 0 {
		t.CoolBy = point(pts[i].At)
	} else if w, ok := coolBy(pts, roomC, sliceCoreC); ok {
		t.CoolBy = w
	}
}

// coreNow is the last reading of the probe in the loaf, NaN when it is too old.
func (p *Process) coreNow(now time.Time) float64 {
	n := len(p.Track.Core)
	if n == 0 || now.Sub(p.Track.Core[n-1].At) > coreFresh {
		return math.NaN()
	}
	return p.Track.Core[n-1].C
}

// takeOut moves the step of taking out by what the probe says: as soon as the
// core is done, and not before, unless the clock is far past.
func (l *layout) takeOut(at estimator.Window) (estimator.Window, Sentences) {
	t := &l.p.Track
	core := l.p.coreNow(l.now)
	switch {
	case !t.DoneAt.IsZero():
		return point(t.DoneAt), Sentences{{"why.core.done", Values{"low_c": t.Done.LowC, "best_c": t.Done.BestC, "most_c": t.Done.MostC}}}
	case math.IsNaN(core) || core < sliceCoreC:
		return at, nil
	case l.now.After(at.Median.Add(coreWaits)):
		return at, say("why.core.late")
	}
	return notBefore(at, l.now.Add(coreFresh)), Sentences{{"why.core.not_yet", Values{"core_c": core, "low_c": t.Done.LowC}}}
}
