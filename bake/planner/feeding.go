package planner

import (
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// How long a starter that stood in the refrigerator is refreshed before it raises a
// dough: once after a week, twice after a month. Common practice, no source.
const (
	refreshOnceDays  = 7
	refreshTwiceDays = 28
)

// feeds says how the starter is fed so that it peaks when mixing begins: none when it
// is ripe then; ok is false when it cannot be.
func (r Request) feeds(mix time.Time, needG float64) (feeds []bake.Feed, ok bool) {
	if s := r.Starter; !s.RipeUntil.IsZero() && !mix.Before(s.RipeFrom) && !mix.After(s.RipeUntil) {
		return nil, true
	}
	ways := r.feedings(mix, needG+spareG, r.refreshes(), 1)
	if len(ways) == 0 {
		return nil, false
	}
	return ways[0], true
}

// spareG is the starter that is left to go on with, grams.
const spareG = 20

// refreshes is how often the starter is refreshed before the feed that counts.
func (r Request) refreshes() int {
	switch days := r.Starter.ColdDays; {
	case days >= refreshTwiceDays:
		return 2
	case days >= refreshOnceDays:
		return 1
	}
	return 0
}

// feedings lists ways to feed the starter so that it peaks at a moment, most of them,
// after so many refreshes: none past, and none that anybody gets up or comes home for. The
// first feed out of the cold takes longer.
func (r Request) feedings(peak time.Time, totalG float64, refreshes, most int) (out [][]bake.Feed) {
	slow := 1.0
	if refreshes == 0 {
		slow = []float64{1, 1.3, 1.5}[r.refreshes()]
	}
	for _, f := range bake.LearnVigour(r.Starter.Past).FeedsToPeak(peak, totalG, r.RoomC, slow) {
		if f.At.Before(r.Now) || r.home().Busy(f.At) || r.asleep(f.At) {
			continue
		}
		way := []bake.Feed{f}
		if refreshes > 0 {
			before := r.feedings(f.At, f.StarterG+spareG, refreshes-1, 1)
			if len(before) == 0 {
				continue
			}
			way = append(before[0], f)
		}
		if out = append(out, way); len(out) == most {
			break
		}
	}
	return out
}

// Feeding is a way to feed the starter: refreshes first, and when it peaks.
type Feeding struct {
	Feeds []bake.Feed
	Peak  estimator.Window
}

// Feedings returns the ways to feed the starter alone so that it peaks at r.ReadyAt, the
// next one first; an error when there is none.
func Feedings(r Request) ([]Feeding, error) {
	if err := r.inRange(); err != nil {
		return nil, err
	}
	var out []Feeding
	for _, feeds := range r.feedings(r.ReadyAt, r.Batch.Levain.Grams, r.refreshes(), 99) {
		last := feeds[len(feeds)-1]
		low, mid, high := bake.LearnVigour(r.Starter.Past).PeakHours(last, r.RoomC)
		slow := r.ReadyAt.Sub(last.At).Hours() / mid
		out = append(out, Feeding{feeds, estimator.Window{From: last.At.Add(bake.HoursOf(low * slow)), Median: r.ReadyAt, Until: last.At.Add(bake.HoursOf(high * slow))}})
	}
	if len(out) == 0 {
		return nil, cannot("no_feed", bake.Values{"at": r.ReadyAt})
	}
	slices.SortStableFunc(out, func(a, b Feeding) int { return a.Feeds[0].At.Compare(b.Feeds[0].At) })
	return out, nil
}

// Said says the feeds and when the last of them peaks.
func (f Feeding) Said() bake.Sentences {
	var out bake.Sentences
	for i, x := range f.Feeds {
		v := bake.Values{"at": x.At, "ratio": x.Ratio(), "starter_g": x.StarterG, "flour_g": x.FlourG, "water_g": x.WaterG}
		if i < len(f.Feeds)-1 {
			out = append(out, because("refreshing", v)...)
			continue
		}
		v["from"], v["until"] = f.Peak.From, f.Peak.Until
		out = append(out, because("feeding", v)...)
	}
	return out
}
