package bake

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode"

	"tidemark/estimator"
	"tidemark/estimator/kinetics"
)

// State is what is the case with one vessel at one moment. The page, the API, the
// messages, the metrics and the command line render it and decide nothing.
type State struct {
	At     time.Time
	Vessel string
	Holds  estimator.Holds
	Demo   bool // everything seen is invented
	Lead   time.Duration

	Status Status
	Now    Todo

	RiseID   int64 // of the rise under way; 0 when none is
	Rise     Rise  // the last one of this run; its ID is 0 before it began
	Estimate estimator.Estimate
	InFridge bool
	// OverPercent is the rise from which dough is over, and ColdPercent the most it may
	// come to in the cold, see Batch.Limits; 0 when no dough rises.
	OverPercent, ColdPercent float64
	MarkChosen               bool   // a person chose the mark
	Batch                    string // name of the batch or feeding; empty for none
	Feed                     string // the feeding of a starter as a ratio; empty when not known

	Steps    []Step
	Process  *Process      // nil when no steps are followed; read only
	After    *After        // the bake after its bulk; nil when there is none
	Care     *Care         // of a fed starter; nil when none is watched
	Findings []Finding     // what the past feeds say of a starter
	Plan     *PlanState    // nil when none is followed
	Proof    *ProofState   // the final proof under way; nil when there is none
	Advice   *Advice       // what is to be done in time; nil for nothing
	ByHand   bool          // no sensor sees the level
	LookAt   time.Time     // when to look how far it has risen; zero for not
	HourMore *Outlook      // what another hour on the counter does; nil when that is not known
	ahead    time.Duration // at its present warmth, that the cold is worth

	ProofOf    string     // the vessel whose final proof this one shows; empty for none
	ProofBasis ProofBasis // how

	Events     []Event // of this run, oldest first, without those taken back
	away       []Span  // when nobody is there, as was told elsewhere
	WorkingOut bool    // the journal changed and is being folded again
}

// PlanState is a plan that a vessel follows.
type PlanState struct {
	Way     string
	Wanted  time.Time
	Planned estimator.Window // ready, as the plan had it
	Ready   estimator.Window // ready, as the steps stand now; zero when that is past
	Pending bool             // the dough is not in the vessel yet
	Said    Said             // what the live rise changed last; zero for nothing
	SaidAt  time.Time
}

// ProofState is a final proof under way.
type ProofState struct {
	Since time.Time
	By    estimator.Window
	Basis ProofBasis
}

// State returns what was the case when the session was moved on last.
func (s *Session) State() State { return s.state(s.last.Time) }

// state gathers what is known.
func (s *Session) state(now time.Time) State {
	v := &s.vessel
	out := State{
		At: now, Vessel: v.Name, Holds: v.Estimator.Holds, Demo: v.Demo, Lead: v.Estimator.Lead,
		Rise: s.rise, Estimate: s.last, InFridge: s.cold, MarkChosen: s.mark, Batch: s.batchName(), Feed: s.feedShown(),
		Steps: s.steps, After: s.after, Care: s.care, Findings: s.learned.Findings,
		ProofOf: v.ProofOf, ProofBasis: v.ProofBasis, WorkingOut: s.stale,
	}
	if s.underWay() {
		out.RiseID = s.rise.ID
	}
	if r := out.Estimate.Ready; !r.IsZero() && !out.Estimate.ReadyIsPast { // what has not come cannot be past
		out.Estimate.Ready = notBefore(r, now)
	}
	if s.begun || s.plan != nil { // what was told of a rise that never was is of no use
		out.Events = slices.DeleteFunc(slices.Clone(s.run.Events), Event.Undone)
	}
	out.away = s.away
	if f := s.plan; f != nil {
		out.Plan = &PlanState{Way: f.Way, Wanted: f.Wanted, Planned: f.Planned, Ready: readyOf(s.steps), Pending: s.pending(), Said: s.change, SaidAt: s.changedAt}
	}
	if s.process != nil {
		p := s.process.copied() // the session goes on with its own
		out.Process = &p
		if begun, ok := p.proofBegun(); ok {
			out.Proof = &ProofState{begun, p.Track.ProofBy, p.Track.ProofBasis}
		}
	}
	if v.Estimator.Holds == estimator.Dough && s.underWay() && s.last.TargetPercent > 0 {
		out.OverPercent, out.ColdPercent = s.dough().limits(s.last.TargetPercent, s.last.DoughC, v.ProofBasis != "")
	}
	out.ByHand, out.Status, out.ahead = v.Estimator.ByHand, out.status(), out.coldAhead(s.kg())
	out.Advice, out.HourMore, out.LookAt = out.advise(v.Hours), out.StaysOut(now.Add(time.Hour)), out.lookAt(v.Hours)
	out.Now = out.todo()
	return out
}

// over reports whether dough is further on than is right. Where that is not known the
// phase says it.
func (s *State) over() bool {
	e := &s.Estimate
	if s.OverPercent == 0 || e.Exhausted {
		return e.Phase == estimator.Over
	}
	return e.RisePercent >= s.OverPercent
}

// batchName is what the bake or feeding is called.
func (s *Session) batchName() string {
	switch {
	case s.process != nil:
		return s.process.Batch.Name
	case s.named != NoBatch:
		return s.named
	}
	return ""
}

// assumedParts is the feeding taken when none is known: 1 : 2 : 2.
const assumedParts = 2

// tend says when the starter peaks, is best used and gets hungry; nil when none is
// watched.
func (s *Session) tend() *Care {
	if s.vessel.Estimator.Holds != estimator.Starter || !s.underWay() {
		return nil
	}
	feed, note := NewFeed(s.rise.StartedAt, assumedParts, 100, 0), say("why.care.assumed")
	if s.feed != nil {
		feed, note = *s.feed, nil
		feed.At = s.rise.StartedAt
	}
	fridgeC := kinetics.FridgeC
	if s.cold && s.last.AirC < 12 {
		fridgeC = s.last.AirC
	}
	c, err := tend(feed, s.learned.Feeds, s.stay.meanC(), ColdSince(s.run.Events), fridgeC, s.last)
	if err != nil {
		return nil // a checked feeding has no error
	}
	c.Basis = append(c.Basis, note...)
	return &c
}

// feedShown is the feeding to show: of the rise under way, else the usual one.
func (s *Session) feedShown() string {
	f := s.vessel.Feed
	if s.begun {
		f = s.feed
	}
	if f == nil || s.vessel.Estimator.Holds != estimator.Starter {
		return ""
	}
	return f.Ratio()
}

// MarshalJSON writes a State as every surface that hands it on does: fields under
// their names in small letters, rise_percent for RisePercent, or under their json tags.
// Sentences are key and values, for whoever has no catalogue. What is not known is null, times are RFC 3339 to the millisecond in the zone of At,
// and spans of time are seconds, as their names say. The definitions of the steps stay
// inside.
func (s State) MarshalJSON() ([]byte, error) {
	return json.Marshal(Form(s, s.At.Location(), nil))
}

// Form returns any value as MarshalJSON writes a State, with the times in a zone and the
// sentences as speak puts them; nil leaves them keys and values.
func Form(v any, zone *time.Location, speak func(Said) string) any {
	return stateForm{zone, speak}.value(reflect.ValueOf(v))
}

// stateForm turns values into what encoding/json writes.
type stateForm struct {
	zone  *time.Location
	speak func(Said) string
}

// fields adds the fields of a struct to out; those of an embedded one as its own.
func (f stateForm) fields(v reflect.Value, out map[string]any) map[string]any {
	for i := range v.NumField() {
		field := v.Type().Field(i)
		name, options, _ := strings.Cut(field.Tag.Get("json"), ",")
		switch {
		case options == "omitempty" && v.Field(i).IsZero():
		case !field.IsExported() || field.Type == reflect.TypeFor[Process]() || field.Type == reflect.TypeFor[*Process]():
		case field.Anonymous && name == "":
			f.fields(v.Field(i), out)
		default:
			if name == "" {
				name = snake(field.Name)
			}
			if field.Type == reflect.TypeFor[time.Duration]() {
				name += "_seconds"
			}
			out[name] = f.value(v.Field(i))
		}
	}
	return out
}

// value is one value.
func (f stateForm) value(v reflect.Value) any {
	switch x := v.Interface().(type) {
	case time.Time:
		if x.IsZero() {
			return nil
		}
		return x.Round(time.Millisecond).In(f.zone)
	case time.Duration:
		return x.Seconds()
	case Said:
		if f.speak != nil {
			return f.speak(x)
		}
	case Sentences:
		if f.speak != nil {
			var all []string
			for _, s := range x {
				all = append(all, f.speak(s))
			}
			return strings.Join(all, " ")
		}
	case []byte:
		if len(x) == 0 {
			return nil
		}
		return json.RawMessage(x) // a batch or feeding, which is JSON already
	}
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			return nil
		}
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			return nil
		}
		return f.value(v.Elem())
	case reflect.Struct:
		return f.fields(v, map[string]any{})
	case reflect.Slice:
		list := make([]any, v.Len())
		for i := range list {
			list[i] = f.value(v.Index(i))
		}
		return list
	case reflect.Map:
		table := map[string]any{}
		for _, k := range v.MapKeys() {
			table[k.String()] = f.value(v.MapIndex(k))
		}
		return table
	}
	return v.Interface()
}

// snake writes a Go name in small letters with low lines between its words: LevelMM as
// level_mm, StepID as step_id, P10Percent as p10_percent.
func snake(name string) string {
	var b strings.Builder
	r := []rune(name)
	for i, c := range r {
		after := i > 0 && !unicode.IsUpper(r[i-1])
		before := i > 0 && i+1 < len(r) && unicode.IsUpper(r[i-1]) && unicode.IsLower(r[i+1])
		if unicode.IsUpper(c) && (after || before) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(c))
	}
	return b.String()
}
