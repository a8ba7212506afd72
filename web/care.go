package web

import (
	"time"

	"tidemark/bake"
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
