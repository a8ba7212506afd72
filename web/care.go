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
