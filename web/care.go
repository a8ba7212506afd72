package web

import "tidemark/bake"

// lookFor is what a person should look for in a jar; what ends it comes first.
func (s *Server) lookFor() []seenView {
	var out []seenView
	for _, seen := range []bake.Sighting{bake.SawMould, bake.SawLiquid} {
		for _, f := range bake.Diagnose(nil, []bake.Sighting{seen}) {
			out = append(out, seenView{upperFirst(s.words.Say("starter.look."+string(seen), nil)), findingOf(f, s.words)})
		}
	}
	return out
}
