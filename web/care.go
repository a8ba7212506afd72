package web

import (
	"time"

	"tidemark/bake"
	"tidemark/web/past"
	"tidemark/web/say"
)

// lookFor is what a person should look for in a jar; what ends it comes first.
func lookFor(h say.House, now time.Time) []seenView {
	var out []seenView
	for _, s := range []struct {
		what string
		seen bake.Sighting
	}{
		{"Mould, or a strange colour", bake.SawMould},
		{"Grey or black liquid on top", bake.SawLiquid},
	} {
		for _, f := range h.Findings(bake.Diagnose(nil, []bake.Sighting{s.seen}), now) {
			out = append(out, seenView{s.what, f})
		}
	}
	return out
}

// afterJSON is a bake after its bulk on the API.
type afterJSON struct {
	Stage     string      `json:"stage"`
	Since     *time.Time  `json:"since"`
	From      *time.Time  `json:"from"`
	At        *time.Time  `json:"at"`
	Until     *time.Time  `json:"until"`
	Basis     string      `json:"basis"`
	Why       string      `json:"why"`
	Probe     bool        `json:"probe"`
	CoreC     past.Number `json:"core_c"`
	DoneLowC  past.Number `json:"done_low_c"`
	DoneBestC past.Number `json:"done_best_c"`
	DoneHighC past.Number `json:"done_high_c"`
	DoneAt    *time.Time  `json:"done_at"`
	SliceC    past.Number `json:"slice_c"`
	Caution   string      `json:"caution"`
}

// careJSON is the care of a starter on the API.
type careJSON struct {
	FedAt       time.Time  `json:"fed_at"`
	PeakFrom    *time.Time `json:"peak_from"`
	PeakAt      *time.Time `json:"peak_at"`
	PeakUntil   *time.Time `json:"peak_until"`
	UseFrom     *time.Time `json:"use_from"`
	UseUntil    *time.Time `json:"use_until"`
	HungryFrom  *time.Time `json:"hungry_from"`
	HungryAt    *time.Time `json:"hungry_at"`
	HungryUntil *time.Time `json:"hungry_until"`
	NextFeed    *time.Time `json:"next_feed"`
	Basis       string     `json:"basis"`
}

// findingJSON is one verdict on a starter on the API.
type findingJSON struct {
	What     string   `json:"what"`
	Evidence string   `json:"evidence"`
	Do       []string `json:"do"`
}

// breadJSON is what a vessel on the API says of a bake after its bulk and of a
// starter's care.
type breadJSON struct {
	After      *afterJSON    `json:"after"`
	Care       *careJSON     `json:"care"`
	Findings   []findingJSON `json:"findings"`
	Feed       string        `json:"feed"`
	ProofOf    string        `json:"proof_of"`
	ProofBasis string        `json:"proof_basis"`
}

func breadOf(v Vessel, zone *time.Location) breadJSON {
	out := breadJSON{Findings: []findingJSON{}, Feed: v.Feed, ProofOf: v.ProofOf, ProofBasis: string(v.ProofBasis)}
	n := func(c float64) past.Number { return past.Number(c) }
	at := func(t time.Time) *time.Time { return optional(t, zone) }
	if a := v.After; a != nil {
		out.After = &afterJSON{string(a.Stage), at(a.Since), at(a.Until.From), at(a.Until.Median), at(a.Until.Until), string(a.Basis), a.Why,
			a.Probe, n(a.CoreC), n(a.Done.LowC), n(a.Done.BestC), n(a.Done.MostC), at(a.DoneAt), n(a.SliceC), a.Caution}
	}
	if c := v.Care; c != nil {
		out.Care = &careJSON{stamp(c.Feed.At, zone), at(c.Peak.From), at(c.Peak.Median), at(c.Peak.Until), at(c.UseFrom), at(c.UseUntil),
			at(c.Hungry.From), at(c.Hungry.Median), at(c.Hungry.Until), at(c.NextFeed), c.Basis}
	}
	for _, f := range v.Findings {
		out.Findings = append(out.Findings, findingJSON{f.What, f.Evidence, append([]string{}, f.Do...)})
	}
	return out
}

// feedJSON is a feeding as an act of the API tells it, in grams.
type feedJSON struct {
	StarterG float64 `json:"starter_g"`
	FlourG   float64 `json:"flour_g"`
	WaterG   float64 `json:"water_g"`
}

// feed is the feeding of an act; the zero one means the usual.
func (f feedJSON) feed() bake.Feed {
	return bake.Feed{StarterG: f.StarterG, FlourG: f.FlourG, WaterG: f.WaterG}
}

// feed reads the three amounts of a feeding from a form.
func (f *formReader) feed() bake.Feed {
	return bake.Feed{StarterG: f.number("starter_g"), FlourG: f.number("flour_g"), WaterG: f.number("water_g")}
}

// checkFeed refuses a feeding that is none, and one told with another act.
func (a Act) checkFeed() error {
	if a.Feed == (bake.Feed{}) {
		return nil
	}
	if a.Kind != ActFed && a.Kind != ActStart {
		return Refuse("A feeding is told with fed or start, not with %s.", a.Kind)
	}
	if err := a.Feed.Validate(); err != nil {
		return Refuse("The feeding makes no sense: %v.", err)
	}
	return nil
}
