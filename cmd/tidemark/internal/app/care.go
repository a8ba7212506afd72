package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// feedsKnown is how many past feeds are looked at.
const feedsKnown = 30

// usualFridgeC is taken for a fridge whose air is not measured; common practice,
// no source.
const usualFridgeC = 4.0

// assumedParts is the feeding taken when none is known: 1 : 2 : 2.
const assumedParts = 2

// keeping is how a starter is kept: its past feeds and where it stands.
type keeping struct {
	past     []bake.PastFeed // oldest first
	findings []bake.Finding
	fedAs    *bake.Feed // told with the last feed; nil for the usual one
	feed     *bake.Feed // of the rise under way; nil when not known
	stay     bake.Stay
}

// begin goes back to the start of a rise that is built anew.
func (k *keeping) begin(r history.Rise) {
	k.feed, k.stay = feedOf(r), bake.Stay{}
	k.stay.Follow(r.StartedAt, estimator.Start, nan(), nan())
}

// tend says when the starter peaks, is best used and gets hungry; nil when none
// is watched.
func (p *pipe) tend() *bake.Care {
	if p.vessel.Holds != estimator.Starter || p.rise.ID == 0 {
		return nil
	}
	feed, note := bake.NewFeed(p.rise.StartedAt, assumedParts, 100, 0), "; the feeding is not known, so 1 : 2 : 2 is taken"
	if p.keeping.feed != nil {
		feed, note = *p.keeping.feed, ""
		feed.At = p.rise.StartedAt
	}
	fridgeC := usualFridgeC
	if p.cold && p.last.AirC < 12 {
		fridgeC = p.last.AirC
	}
	c, err := bake.Tend(feed, p.keeping.past, p.keeping.stay.MeanC(), p.keeping.stay.ColdFrom, fridgeC)
	if err != nil {
		return nil // a checked feeding has no error
	}
	c = c.Observed(p.last)
	c.Basis += note
	return &c
}

// feedNow is the feeding of a rise that begins: as it was told, else the usual
// one.
func (p *pipe) feedNow() *bake.Feed {
	if f := p.keeping.fedAs; f != nil {
		p.keeping.fedAs = nil
		return f
	}
	return p.vessel.Feed
}

// feedOf reads the feeding kept with a rise; nil when none is.
func feedOf(r history.Rise) *bake.Feed {
	var f bake.Feed
	if len(r.Batch) == 0 || json.Unmarshal(r.Batch, &f) != nil || f.StarterG == 0 || f.Validate() != nil {
		return nil
	}
	return &f
}

// feedOfAct is the feeding that an act told, in grams or typed as its name
// ("1:2:2"); nil when it told none.
func feedOfAct(act web.Act) (*bake.Feed, error) {
	f := act.Feed
	if f == (bake.Feed{}) {
		typed, ok := bake.ParseFeed(act.Batch)
		if !ok {
			return nil, nil
		}
		f = typed
	}
	if err := f.Validate(); err != nil {
		return nil, web.Refuse("the feeding makes no sense: %v", err)
	}
	return &f, nil
}

// learnFeeds reads the past feeds of a starter and judges them. The pipe is
// locked.
func (a *App) learnFeeds(ctx context.Context, p *pipe) {
	if a.opt.Store == nil || p.vessel.Holds != estimator.Starter {
		return
	}
	past, err := readFeeds(ctx, a.opt.Store, p.vessel.Name, true)
	if err != nil {
		a.log.Warn("the past feeds cannot be read whole", "vessel", p.vessel.Name, "error", err)
	}
	p.keeping.past = past
	p.keeping.findings = bake.Diagnose(past, nil)
}

// readFeeds reads the past feeds of the starter in a vessel, oldest first; invented
// ones only when demo. An error comes with what could be read.
func readFeeds(ctx context.Context, s *history.Store, vessel string, demo bool) ([]bake.PastFeed, error) {
	page, err := s.Rises(ctx, history.Filter{Vessel: vessel, Limit: feedsKnown + 1})
	if err != nil {
		return nil, err
	}
	rises := slices.DeleteFunc(slices.Clone(page.Rises), func(r history.Rise) bool { return r.Holds != estimator.Starter || r.Demo && !demo })
	slices.Reverse(rises)
	cold := map[int64]time.Time{}
	for _, r := range rises {
		acts, e := s.Acts(ctx, r.ID)
		if e != nil {
			err = errors.Join(err, fmt.Errorf("what was done in rise %d: %w", r.ID, e))
			continue
		}
		cold[r.ID] = coldAtEnd(acts)
	}
	return pastFeeds(rises, cold), err
}

// coldAtEnd is when a starter went into the fridge and was not taken out again;
// zero when it stood warm.
func coldAtEnd(acts []history.Act) time.Time {
	var at time.Time
	for _, h := range acts {
		switch web.ActKind(h.Kind) {
		case web.ActFridge:
			if !h.Undone {
				at = h.At
			}
		case web.ActCounter:
			if !h.Undone {
				at = time.Time{}
			}
		}
	}
	return at
}

// pastFeeds turns the rises of a starter, oldest first, into feeds with what came
// of them. cold tells since when each stood in the fridge at its end.
func pastFeeds(rises []history.Rise, cold map[int64]time.Time) []bake.PastFeed {
	sure := map[int64]bool{}
	for _, v := range history.VigourOf(rises).Points {
		sure[v.RiseID] = true
	}
	var out []bake.PastFeed
	for i, r := range rises {
		if r.UnderWay() {
			continue
		}
		f := bake.PastFeed{MeanC: known(r.MeanDoughC), PeakHours: nan(), PeakPercent: nan(), LateHours: nan()}
		if feed := feedOf(r); feed != nil {
			f.Feed = *feed
		}
		f.At = r.StartedAt
		if sure[r.ID] {
			f.PeakHours, f.PeakPercent = r.PeakAt.Sub(r.StartedAt).Hours(), r.PeakPercent
			if i+1 < len(rises) {
				f.LateHours = rises[i+1].StartedAt.Sub(r.PeakAt).Hours()
			}
		}
		if i > 0 {
			if from := cold[rises[i-1].ID]; !from.IsZero() {
				f.ColdDays = r.StartedAt.Sub(from).Hours() / 24
			}
		}
		out = append(out, f)
	}
	return out
}

// known is a number of a stored rise; zero was never set.
func known(v float64) float64 {
	if v == 0 {
		return nan()
	}
	return v
}

// learnFrom takes in a finished rise: what it taught of the curve, and of the
// starter's feeds.
func (a *App) learnFrom(ctx context.Context, p *pipe, r history.Rise) {
	a.teach(ctx, r)
	p.mu.Lock()
	defer p.mu.Unlock()
	a.learnFeeds(ctx, p)
}

// feedShown is the feeding to show: of the rise under way, else the usual one.
func (p *pipe) feedShown() string {
	f := p.vessel.Feed
	if p.rise.ID != 0 {
		f = p.keeping.feed
	}
	if f == nil || p.vessel.Holds != estimator.Starter {
		return ""
	}
	return f.Ratio()
}
