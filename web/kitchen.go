package web

import (
	"net/http"
	"slices"

	"tidemark/bake"
	"tidemark/web/glance"
)

// kitchenPage is for a tablet across the room: time, staff and what to do of each
// vessel, in large letters, the first larger than the others.
type kitchenPage struct {
	frame
	All []vesselView
}

// pageKitchen answers with the kitchen view.
func (s *Server) pageKitchen(w http.ResponseWriter, r *http.Request) error {
	p := kitchenPage{frame: s.frame(w, r, s.say("kitchen", nil), "kitchen"), All: s.kitchen(s.opt.Live.Snapshot())}
	return s.render(w, http.StatusOK, "kitchen", p)
}

// kitchen sorts the vessels: dough under way first, empty ones left out while
// anything rises.
func (s *Server) kitchen(snap Snapshot) []vesselView {
	var all []vesselView
	for _, v := range snap.Vessels {
		g := s.glance(snap, v, false)
		if v.ProofOf != "" || g.Status == bake.StatusNothing && len(snap.Vessels) > 1 {
			continue
		}
		all = append(all, vesselView{Glance: g, ID: "k-" + v.Vessel})
	}
	slices.SortStableFunc(all, func(a, b vesselView) int { return kitchenRank(a.Glance) - kitchenRank(b.Glance) })
	return all
}

// kitchenRank lets what rises for bread stand first.
func kitchenRank(g glance.Glance) int {
	switch g.Status {
	case bake.StatusStarterRising, bake.StatusStarterPeak, bake.StatusStarterFalling, bake.StatusStarterHungry, bake.StatusNothing, bake.StatusDone:
		return 1
	}
	return 0
}
