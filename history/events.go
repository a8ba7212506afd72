package history

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"tidemark/bake"
)

// checked refuses an event that could not be found again, and fills in what was left
// zero.
func checked(e bake.Event) (bake.Event, error) {
	if e.Kind == "" || e.At.IsZero() || e.RiseID < 0 {
		return e, fmt.Errorf("history: an event needs a kind and a time, got %q at %v of rise %d", e.Kind, e.At, e.RiseID)
	}
	if e.Told.IsZero() {
		e.Told = e.At
	}
	return e, nil
}

// events is how events are stored.
func events() table[bake.Event] {
	return table[bake.Event]{name: "events", columns: "id, rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms", key: "id",
		fields: func(e *bake.Event) []any {
			return []any{&e.ID, orNull(&e.RiseID), &e.Vessel, instant(&e.At), instant(&e.Told), &e.By, (*string)(&e.Kind), jsonOf(&e.Detail), instant(&e.UndoneAt)}
		},
		id: func(e bake.Event) any { return e.ID }}
}

// AddEvent stores an event at once and returns its id. When the disk refuses, the
// event is kept in memory under an id that stays its own; Health tells.
func (s *Store) AddEvent(ctx context.Context, e bake.Event) (int64, error) {
	e, err := checked(e)
	if err != nil {
		return 0, err
	}
	e.ID = s.freshID(ctx, "events")
	return e.ID, s.save(ctx, events().record(e))
}

// UpdateEvents stores events that are there already, as they are now: undone, put
// right in time, given to another rise. It is all or nothing. When the disk
// refuses, they are kept in memory; Health tells.
func (s *Store) UpdateEvents(ctx context.Context, changed ...bake.Event) error {
	records := make([]record, len(changed))
	for i, e := range changed {
		e, err := checked(e)
		if err == nil && e.ID <= 0 {
			err = fmt.Errorf("history: update of an event needs its id, got %d", e.ID)
		}
		if err != nil {
			return err
		}
		records[i] = events().record(e)
	}
	return s.save(ctx, records...)
}

// inOrder puts events in order of time.
func inOrder(list []bake.Event, err error) ([]bake.Event, error) {
	slices.SortStableFunc(list, func(a, b bake.Event) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	return list, err
}

// Event returns one event, or ErrNotFound.
func (s *Store) Event(ctx context.Context, id int64) (bake.Event, error) {
	return events().one(ctx, s, "event", id)
}

// Events returns the journal of a rise in order of time, the undone included.
func (s *Store) Events(ctx context.Context, riseID int64) ([]bake.Event, error) {
	return inOrder(events().read(ctx, s, func(e bake.Event) bool { return e.RiseID == riseID }, "WHERE rise_id = ?", riseID))
}

// VesselEvents returns what happened to a vessel in [from, until), in a rise or
// not, in order of time, the undone included; a zero bound does not restrict.
func (s *Store) VesselEvents(ctx context.Context, vessel string, from, until time.Time) ([]bake.Event, error) {
	lo, hi := bounds(from, until)
	return inOrder(events().read(ctx, s, func(e bake.Event) bool {
		at := e.At.UnixMilli()
		return e.Vessel == vessel && at >= lo && at < hi
	}, "WHERE vessel = ? AND at_ms >= ? AND at_ms < ?", vessel, lo, hi))
}
