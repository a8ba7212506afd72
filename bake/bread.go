package bake

import (
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// ProofBasis says what the time of a final proof rests on.
type ProofBasis string

// The bases of a final proof.
const (
	BasketBasis ProofBasis = "basket" // a sensor over the basket
	SampleBasis ProofBasis = "sample" // a small jar of the same dough
	TimeBasis   ProofBasis = "time"   // equivalent time: nothing watches it
)

// tempPoint is one temperature of dough or loaf, Celsius.
type tempPoint struct {
	At time.Time `json:"at"`
	C  float64   `json:"c"`
}

// Track is what is measured of a bake after its bulk. It is plain data, kept
// with its process.
type Track struct {
	Begun      time.Time        `json:"begun"`    // the final proof that Loaf and Jar are of
	Loaf       piece            `json:"loaf_now"` // the shaped dough: measured, else followed from the room
	Jar        piece            `json:"jar_now"`  // the sample jar by its own probe
	ProofBy    estimator.Window `json:"proof_by"` // when the final proof is over; zero before it begins
	ProofBasis ProofBasis       `json:"proof_basis,omitempty"`
	ProofWhy   Said             `json:"proof_said"`
	Core       []tempPoint      `json:"core_c,omitempty"` // the newest of the probe in the loaf
	Peak       tempPoint        `json:"core_peak"`        // its highest
	Pulled     bool             `json:"pulled,omitempty"` // that probe, from the loaf, since its highest
	DoneAt     time.Time        `json:"done_at"`          // when the core got into the done range; zero before
	Done       Core             `json:"done"`
	CoolBy     estimator.Window `json:"cool_by"` // when the loaf will be cool enough to slice by that probe; zero without one
}

// piece is a piece of dough in its final proof as it was seen last; the zero piece was
// never seen.
type piece struct {
	At    time.Time `json:"at"`
	C     float64   `json:"c"`
	Hours float64   `json:"hours"` // at 24 C, since the proof began
}

// follow takes in how warm the piece is, Celsius; NaN tells nothing. What is seen first
// held since the proof began.
func (p *piece) follow(begun, now time.Time, c float64) {
	if math.IsNaN(c) {
		return
	}
	if p.At.IsZero() {
		p.At, p.C = begun, c
	}
	p.Hours += now.Sub(p.At).Hours() * (Speed(p.C) + Speed(c)) / 2
	p.At, p.C = now, c
}

// had is the hours at 24 C that the piece has had by a moment, as warm as it is.
func (p piece) had(at time.Time) float64 { return p.Hours + at.Sub(p.At).Hours()*Speed(p.C) }

// speed is how fast the piece works from now on: as the room has it, or as warm as it is
// where that is not known (NaN).
func (p piece) speed(roomC float64) float64 {
	if math.IsNaN(roomC) {
		return Speed(p.C)
	}
	return Speed(roomC)
}

// moved is the track with every moment as move changes it, for a clock that was set.
func (t Track) moved(move func(*time.Time)) Track {
	t.Core = slices.Clone(t.Core)
	for i := range t.Core {
		move(&t.Core[i].At)
	}
	for _, at := range []*time.Time{&t.Begun, &t.Loaf.At, &t.Jar.At, &t.Peak.At, &t.DoneAt, &t.ProofBy.From, &t.ProofBy.Median, &t.ProofBy.Until, &t.CoolBy.From, &t.CoolBy.Median, &t.CoolBy.Until} {
		move(at)
	}
	return t
}

// proofBegun returns when the final proof began; ok is false when none is under
// way. It begins with the step before it and ends when the step is done, left
// out, or a later one is begun.
func (p *Process) proofBegun() (begun time.Time, ok bool) {
	m := p.Marks[ShapeID]
	if m.State != Done || p.index(ProofID) < 0 || p.closed(ProofID) || p.loaded() {
		return time.Time{}, false
	}
	return m.At, true
}

// joinedLate is how much before the shaping a rise may have begun to count as
// this proof's: people fill the sample jar first.
const joinedLate = 30 * time.Minute

// followProof takes in what is known of the final proof and works its time out
// again: by the sensor over the basket, else by the sample jar corrected for its
// temperature, else by equivalent time, which also stands while the sensors have
// seen too little to tell it closer. It does nothing outside a final proof. startC is
// the dough at the end of the bulk and airC where it proofs, Celsius; NaN when not known.
func (p *Process) followProof(now time.Time, startC, airC float64, around Around) {
	begun, ok := p.proofBegun()
	if !ok {
		return
	}
	basket, sample := ofThisProof(around.Basket, begun), ofThisProof(around.Sample, begun)
	p.trackProof(now, begun, startC, airC, basket, sample)
	t := &p.Track
	d, _ := p.def(ProofID)
	byTime := t.byTime(now, airC, d.Usual)
	pending := ""
	for _, by := range []struct {
		seen  *estimator.Estimate
		basis ProofBasis
	}{{basket, BasketBasis}, {sample, SampleBasis}} {
		if by.seen == nil {
			continue
		}
		w, why := reaching(*by.seen, d.RisePercent), Said{Key: "why.proof.basket"}
		if by.basis == SampleBasis && !w.IsZero() {
			w, why = t.loafReady(now, w, airC)
		}
		if vague := w.Until.Sub(w.From) > byTime.Until.Sub(byTime.From); w.IsZero() || vague && now.Before(byTime.Median) {
			pending = "." + string(by.basis) // it cannot tell it closer than the usual time yet
			continue
		}
		t.ProofBy, t.ProofBasis, t.ProofWhy = w, by.basis, why
		return
	}
	t.ProofBy, t.ProofBasis, t.ProofWhy = byTime, TimeBasis, Said{Key: "why.proof.time" + pending}
}

// ofThisProof drops an estimate that is not about this proof.
func ofThisProof(e *estimator.Estimate, begun time.Time) *estimator.Estimate {
	if e == nil || e.Started.Before(begun.Add(-joinedLate)) || e.Phase == estimator.Ended || e.Phase == estimator.Idle {
		return nil
	}
	return e
}

// reaching is when a watched rise gets to a level; 0 is its vessel's mark.
func reaching(e estimator.Estimate, risePercent float64) estimator.Window {
	if risePercent == 0 || risePercent == e.TargetPercent {
		return e.Ready
	}
	w, _ := FanCrossing(e, risePercent)
	return w
}

// trackProof follows loaf and jar.
func (p *Process) trackProof(now, begun time.Time, startC, airC float64, basket, sample *estimator.Estimate) {
	t := &p.Track
	if !t.Begun.Equal(begun) || t.Loaf.At.After(now) { // an earlier shaping was taken back
		t.Begun, t.Loaf, t.Jar = begun, piece{}, piece{}
		t.Loaf.follow(begun, begun, startC)
	}
	loafC := airC
	switch {
	case basket != nil && !math.IsNaN(basket.DoughC):
		loafC = basket.DoughC
	case !t.Loaf.At.IsZero():
		loafC += (t.Loaf.C - airC) * math.Exp(-now.Sub(t.Loaf.At).Hours()/FollowHours(p.pieceKg()))
	}
	t.Loaf.follow(begun, now, loafC)
	if sample != nil {
		t.Jar.follow(begun, now, sample.DoughC)
	}
}

// usualPieceKg is the mass of a piece of dough when no batch tells it; common
// practice, no source.
const usualPieceKg = 0.8

// pieceKg is the mass of one piece of dough.
func (p *Process) pieceKg() float64 {
	if n, err := p.Batch.Numbers(), p.Batch.Validate(); err == nil {
		return n.PerLoafG / 1000
	}
	return usualPieceKg
}

// byTime is when a final proof is over without a level sensor: by equivalent time, need
// being the usual minutes at 24 C. roomC is where the dough goes from now on; NaN when
// not known.
func (t *Track) byTime(now time.Time, roomC float64, need Spread) estimator.Window {
	done := now.Sub(t.Begun).Hours() * Speed(roomC)
	if !t.Loaf.At.IsZero() {
		done = t.Loaf.had(now)
	}
	at := func(m int) time.Time { return now.Add(HoursOf((float64(m)/60 - done) / t.Loaf.speed(roomC))) }
	return estimator.Window{From: at(need.LowMin), Median: at(need.MidMin), Until: at(need.HighMin)}
}

// loafReady turns the forecast of the sample jar, a small jar of the same dough that
// cools and warms faster, into the loaf's: the loaf is ready when it has had as much
// equivalent time as the jar will have had at its mark. The words say by how much the
// jar runs ahead. roomC is where both go from now on; NaN when not known.
func (t *Track) loafReady(now time.Time, jar estimator.Window, roomC float64) (estimator.Window, Said) {
	if t.Jar.At.IsZero() || t.Loaf.At.IsZero() {
		return jar, Said{Key: "why.proof.sample"}
	}
	ej, el := t.Jar.had(now), t.Loaf.had(now)
	at := func(mark time.Time) time.Time {
		need, speed := t.Jar.had(mark), t.Loaf.speed(roomC)
		if mark.After(now) {
			need = ej + mark.Sub(now).Hours()*t.Jar.speed(roomC)
		}
		if need < el {
			speed = Speed(t.Loaf.C)
		}
		return now.Add(HoursOf((need - el) / speed))
	}
	w := estimator.Window{From: at(jar.From), Median: at(jar.Median), Until: at(jar.Until)}
	doubt := time.Duration(0.1 * math.Abs(float64(w.Median.Sub(jar.Median)))) // of the correction itself
	w.From, w.Until = w.From.Add(-doubt), w.Until.Add(doubt)
	switch ahead := HoursOf(ej - el).Round(time.Minute); {
	case ahead > 2*time.Minute:
		return w, Said{"why.proof.sample.ahead", Values{"span": ahead}}
	case ahead < -2*time.Minute:
		return w, Said{"why.proof.sample.behind", Values{"span": -ahead}}
	}
	return w, Said{Key: "why.proof.sample"}
}

// Keeping and reading the core; common practice, no source.
const (
	coreEvery    = time.Minute      // spacing of what is kept
	coreFresh    = 5 * time.Minute  // a probe silent for longer tells nothing
	coreKept     = 5                // readings kept: those within dropWithin
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

// followCore takes in a reading of the core, one a minute. It notes when the core is in
// the done range, sees by its fall that the loaf is out, and then works out when it is
// cool enough to slice. It does nothing before the loaf is in the oven. Temperatures in
// Celsius, of the loaf and of where it will cool, NaN when not known; the altitude of
// the kitchen in metres.
func (p *Process) followCore(now time.Time, c, roomC, altitudeM float64) {
	t := &p.Track
	if !p.loaded() || p.closed(SliceID) {
		return
	}
	if t.Peak.At.Before(begunOf(p.Marks[BakeID])) { // of an earlier loading
		t.Core, t.Peak, t.Pulled, t.DoneAt, t.CoolBy = nil, tempPoint{}, false, time.Time{}, estimator.Window{}
	}
	n := len(t.Core)
	if math.IsNaN(c) || c < -10 || c > 130 || n > 0 && now.Sub(t.Core[n-1].At) < coreEvery {
		return
	}
	t.Core = append(slices.Clone(t.Core[max(0, n-coreKept+1):]), tempPoint{now, c})
	if t.Peak.At.IsZero() || c >= t.Peak.C {
		t.Peak, t.Pulled = tempPoint{now, c}, false
	}
	for _, x := range t.Core { // only a probe without a loaf falls so fast
		t.Pulled = t.Pulled || now.Sub(x.At) <= dropWithin && x.C-c > probeDropC
	}
	t.Done = p.Batch.doneCore(altitudeM)
	p.noteDone()
	if t.Peak.C >= bakedFromC && t.Peak.C-c >= outDropC && now.Sub(t.Peak.At) >= dropWithin && !t.Pulled && !p.closed(OutID) {
		_ = p.Done(OutID, t.Peak.At, "probe") // where there is such a step
	}
	if p.Marks[OutID].State == Done && p.Batch.ryePercent() < ryeRichPercent && !t.Pulled {
		t.coolBy(now, c, roomC)
	}
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

// sliceCoreC is the core at which a loaf is cool enough to slice, about 35 C.
// Source: bakeinfo.co.nz, Science of bread making, Cooling; another trade
// figure is 35 to 40 C (BAKERpedia).
const sliceCoreC = 35.0

// coolRows are how long a loaf cools, dough weight in grams against the usual
// minutes. Rolls 30 to 60 min, pan loaves 1 to 2 h, large crusty loaves 2 to 3 h: a
// cookware maker's guide page (common practice). Which weight is which class is
// this project's choice; between the rows the time goes straight.
func coolRows() [][2]float64 {
	return [][2]float64{{40, 30}, {100, 45}, {500, 90}, {900, 140}, {1500, 175}}
}

// coolDoubt is how far off the usual time of one kitchen may be, as a ratio:
// the width of the classes.
const coolDoubt = 1.3

// inTinCools is how much sooner a pan loaf is cool than a crusty one of its weight.
const inTinCools = 0.75

// Cooling returns how long a loaf of the batch cools before it is sliced, without a probe.
// Loaves rich in rye rest a day or more (bakers' forum, common practice).
func (b Batch) Cooling() Spread {
	if b.ryePercent() >= ryeRichPercent {
		return Spread{12 * 60, 24 * 60, 36 * 60}
	}
	rows, g := coolRows(), b.Numbers().PerLoafG
	min := rows[0][1]
	for i := 1; i < len(rows); i++ {
		a, b := rows[i-1], rows[i]
		min += (b[1] - a[1]) * math.Min(1, math.Max(0, (g-a[0])/(b[0]-a[0])))
	}
	if b.Ware() == Tin {
		min *= inTinCools
	}
	return Spread{int(min / coolDoubt), int(math.Round(min)), int(min * coolDoubt)}
}

// coolingDoubt is how far off, one standard deviation, the time to go is taken to be: the
// law bends as the crust gives way. From memory.
const coolingDoubt = 0.1

// coolBy notes when the core, now c, falls to sliceCoreC in a room of roomC, Celsius: its
// excess over the room falls by a constant share an hour from its peak on. It tells
// nothing within 15 minutes of that, of a core near the room, or of one that falls as no
// loaf does.
func (t *Track) coolBy(now time.Time, c, roomC float64) {
	if math.IsNaN(roomC) {
		roomC = usualRoomC
	}
	hours := now.Sub(t.Peak.At).Hours()
	perHour := math.Log((t.Peak.C-roomC)/(c-roomC)) / hours
	switch {
	case c <= sliceCoreC && (t.CoolBy.IsZero() || t.CoolBy.Median.After(now)):
		t.CoolBy = point(now)
	case c <= sliceCoreC || hours < 0.25 || c < roomC+0.5 || sliceCoreC < roomC+1 || !(perHour > 0 && perHour <= quickestFall):
	default:
		togo := math.Log((t.Peak.C-roomC)/(sliceCoreC-roomC)) / perHour
		at := func(h float64) time.Time { return t.Peak.At.Add(HoursOf(h)) }
		t.CoolBy = estimator.Window{From: at(togo * (1 - z80*coolingDoubt)), Median: at(togo), Until: at(togo * (1 + z80*coolingDoubt))}
	}
}

// z80 bounds the central 80 % of a normal distribution.
const z80 = 1.2815515655446004

// AfterStage is where a bake stands after its bulk.
type AfterStage string

// The stages after the bulk.
const (
	Proofing  AfterStage = "proofing"
	Proofed   AfterStage = "proofed" // ready for the oven
	Baking    AfterStage = "baking"
	LoafDone  AfterStage = "done" // still in the oven, the core in the done range
	Cooling   AfterStage = "cooling"
	Sliceable AfterStage = "sliceable"
)

// After is what to say of a bake after its bulk. Numbers that are not known are
// NaN.
type After struct {
	Stage AfterStage
	Since time.Time        // of the stage
	Until estimator.Window // end of the proof, of the bake or of the cooling
	Basis ProofBasis       // of a proof
	Why   Sentences        // what Until rests on
	// Probe reports whether the loaf is followed by a probe in it.
	Probe   bool
	CoreC   float64
	Done    Core // how hot a done loaf is
	DoneAt  time.Time
	SliceC  float64
	Caution Sentences
}

// after tells where the bake stands after its bulk, from the steps as they are
// laid out now; nil before the final proof and once the loaf is sliced.
func (p *Process) after(now time.Time, steps []Step) *After {
	t := &p.Track
	a := &After{CoreC: p.coreNow(now), Done: t.Done, DoneAt: t.DoneAt, SliceC: sliceCoreC, Probe: len(t.Core) > 0}
	if a.Done == (Core{}) {
		a.Done = p.Batch.doneCore(0)
	}
	stands := func(stage AfterStage, since time.Time, until estimator.Window, why, caution Sentences) *After {
		a.Stage, a.Since, a.Until, a.Why, a.Caution = stage, since, until, why, caution
		return a
	}
	proof, out, slice := stepIn(steps, ProofID), stepIn(steps, OutID), stepIn(steps, SliceID)
	begun, proving := p.proofBegun()
	switch {
	case p.closed(SliceID):
		return nil
	case out.State == Done && slice.State == DueNow:
		return stands(Sliceable, slice.At, slice.window(), say(p.coolBasis()), nil)
	case out.State == Done:
		return stands(Cooling, out.Finished, slice.window(), say(p.coolBasis()), cautions("loaf"))
	case p.loaded() && !t.DoneAt.IsZero():
		return stands(LoafDone, t.DoneAt, out.window(), say("why.probe"), cautions("loaf"))
	case p.loaded():
		open, _ := p.def(UncoverID)
		return stands(Baking, begunOf(p.Marks[BakeID]), out.window(), say("why.clock"), cautions(open.Warn...))
	case proof.State == Done:
		return stands(Proofed, proof.Finished, estimator.Window{}, nil, nil)
	case !proving:
		return nil
	}
	by := proof.window()
	if a.Basis = t.ProofBasis; a.Basis != "" {
		by, a.Why = t.ProofBy, Sentences{t.ProofWhy}
	}
	if proof.State == DueNow {
		return stands(Proofed, proof.At, by, a.Why, nil)
	}
	return stands(Proofing, begun, by, a.Why, nil)
}

// coolBasis says what the time to slice rests on.
func (p *Process) coolBasis() string {
	switch {
	case !p.Track.CoolBy.IsZero():
		return "why.probe"
	case p.Batch.ryePercent() >= ryeRichPercent:
		return "why.rye"
	case len(p.Track.Core) > 0:
		return "why.weight.probe"
	}
	return "why.weight"
}
