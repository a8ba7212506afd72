package history

import (
	"context"
	"iter"
	"math"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Record returns the samples of a rise with what was done among them, in order of time,
// as a record of it is written: an event that reaches the dough stands at the sample of
// its moment or is a line of its own. What was undone is left out.
func (s *Store) Record(ctx context.Context, riseID int64) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		events, err := s.Events(ctx, riseID)
		if err != nil {
			yield(Row{}, err)
			return
		}
		told := toldRows(events)
		for row, err := range s.Rows(ctx, riseID, time.Time{}, time.Time{}) {
			for err == nil && len(told) > 0 && told[0].Time.Before(row.Time) {
				if !yield(told[0], nil) {
					return
				}
				told = told[1:]
			}
			if err == nil && len(told) > 0 && told[0].Time.Equal(row.Time) {
				row.Event, told = told[0].Event, told[1:]
			}
			if !yield(row, err) || err != nil {
				return
			}
		}
		for _, row := range told {
			if !yield(row, nil) {
				return
			}
		}
	}
}

// toldRows are the events that stand and reach the dough as lines without a reading.
func toldRows(events []bake.Event) []Row {
	nan := math.NaN()
	var out []Row
	for _, e := range events {
		if what := e.ToDough(); what != estimator.NoEvent && what != estimator.Look && !e.Undone() {
			out = append(out, Row{Time: e.At, Event: what, DistanceMM: nan, DoughC: nan, AirC: nan, RisePercent: nan, RiseSD: nan, EquivHours: nan})
		}
	}
	return out
}
