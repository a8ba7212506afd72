package bake

import (
	"math"
	"time"

	"tidemark/estimator"
)

// Dropping folds late in the bulk. Common practice, no source: the folds belong
// to the first part of the bulk; later they press out gas that does not come
// back before the mark.
const (
	lastFoldShare = 0.6              // of the way to the mark
	lastFoldAhead = 45 * time.Minute // before the mark
)

// tooLate says why a fold planned at t is left out; zero when it is not.
func (l *layout) tooLate(t time.Time) Said {
	bulk, ok := l.p.def(BulkID)
	if !ok || l.p.closed(BulkID) {
		return Said{}
	}
	at := Later(t, l.now)
	seen := l.own(bulk, l.ends[MixID].Median)
	if seen {
		switch l.est.Phase {
		case estimator.Near, estimator.Ready, estimator.Over, estimator.Fallen:
			return Said{Key: "why.fold.phase"}
		}
	}
	if end, _ := l.rise(bulk); end.Median.Sub(at) < lastFoldAhead {
		return Said{"why.fold.soon", Values{"at": end.Median, "span": lastFoldAhead}}
	}
	if share := l.shareAt(at); seen && share > lastFoldShare {
		return Said{"why.fold.far", Values{"share_percent": 100 * share}}
	}
	return Said{}
}

// shareAt is how far along the rise will be at t, 0..1; NaN when not known.
func (l *layout) shareAt(t time.Time) float64 {
	goal := l.est.TargetPercent
	if bulk, _ := l.p.def(BulkID); bulk.RisePercent > 0 {
		goal = bulk.RisePercent
	}
	if !(goal > 0) {
		return math.NaN()
	}
	rise := l.est.RisePercent
	for _, f := range l.est.Fan {
		if f.Time.After(t) {
			break
		}
		rise = math.Max(rise, f.P50Percent)
	}
	return rise / goal
}
