package web

import (
	"tidemark/bake"
	"tidemark/web/glance"
)

// lookFor is what a person should look for in a jar; what ends it comes first.
func (s *Server) lookFor() []seenView {
	var out []seenView
	for _, seen := range []string{bake.SawMould, bake.SawLiquid} {
		out = append(out, seenView{glance.Upper(s.words.Say("starter.look."+seen, nil)), bake.Seen(seen)})
	}
	return out
}
