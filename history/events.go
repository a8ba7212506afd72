package history

import (
	"cmp"
	"context"
	"database/sql"
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

const eventColumns = "id, rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms"

// eventFields are the columns of an event in the order of eventColumns.
func eventFields(e *bake.Event) []any {
	return []any{orNull(&e.ID), orNull(&e.RiseID), &e.Vessel, instant(&e.At), instant(&e.Told), &e.By, (*string)(&e.Kind), detail(&e.Detail), instant(&e.UndoneAt)}
}

// scanEvent reads one line with eventColumns.
func scanEvent(scan scanner) (e bake.Event, err error) {
	err = scan(eventFields(&e)...)
	return e, err
}

// eventSQL writes an event.
func eventSQL() string { return upsertSQL("events", "id", eventColumns, "id") }

// eventRecord stores an event.
func eventRecord(e bake.Event) record {
	return recordOf(eventKey(e.ID), e, eventSQL(), eventFields(&e)...)
}

// AddEvent stores an event at once and returns its id. When the disk refuses, the
// event is kept in memory under an id that stays its own; Health tells.
func (s *Store) AddEvent(ctx context.Context, e bake.Event) (int64, error) {
	e, err := checked(e)
	if err != nil {
		return 0, err
	}
	insert := func(tx *sql.Tx) (err error) {
		e.ID = 0
		e.ID, err = insertLine(ctx, tx, eventSQL(), eventFields(&e)...)
		return err
	}
	err = s.add(ctx, insert, func() []record {
		e.ID = s.freshID(ctx, "events")
		return []record{eventRecord(e)}
	})
	return e.ID, err
}

// UpdateEvents stores events that are there already, as they are now: undone, put
// right in time, given to another rise. It is all or nothing. When the disk
// refuses, they are kept in memory; Health tells.
func (s *Store) UpdateEvents(ctx context.Context, events ...bake.Event) error {
	records := make([]record, len(events))
	for i, e := range events {
		e, err := checked(e)
		if err == nil && e.ID <= 0 {
			err = fmt.Errorf("history: update of an event needs its id, got %d", e.ID)
		}
		if err != nil {
			return err
		}
		records[i] = eventRecord(e)
	}
	return s.save(ctx, records...)
}

// overlayEvents puts the events that wait for the disk into a list, in order of time.
func (s *Store) overlayEvents(events []bake.Event, wanted func(bake.Event) bool) []bake.Event {
	events = overlay(&s.pending, events, func(e bake.Event) int64 { return e.ID }, wanted)
	slices.SortStableFunc(events, func(a, b bake.Event) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	return events
}

// Event returns one event, or ErrNotFound.
func (s *Store) Event(ctx context.Context, id int64) (bake.Event, error) {
	out, err := selectAll(ctx, s, scanEvent, "SELECT "+eventColumns+" FROM events WHERE id = ?", id)
	return first(s.overlayEvents(out, func(e bake.Event) bool { return e.ID == id }), err, "event", id)
}

// Events returns the journal of a rise in order of time, the undone included.
func (s *Store) Events(ctx context.Context, riseID int64) ([]bake.Event, error) {
	out, err := selectAll(ctx, s, scanEvent, "SELECT "+eventColumns+" FROM events WHERE rise_id = ?", riseID)
	return s.overlayEvents(out, func(e bake.Event) bool { return e.RiseID == riseID }), err
}

// VesselEvents returns what happened to a vessel in [from, until), in a rise or
// not, in order of time, the undone included; a zero bound does not restrict.
func (s *Store) VesselEvents(ctx context.Context, vessel string, from, until time.Time) ([]bake.Event, error) {
	lo, hi := bounds(from, until)
	out, err := selectAll(ctx, s, scanEvent, "SELECT "+eventColumns+" FROM events WHERE vessel = ? AND at_ms >= ? AND at_ms < ?", vessel, lo, hi)
	return s.overlayEvents(out, func(e bake.Event) bool {
		at := e.At.UnixMilli()
		return e.Vessel == vessel && at >= lo && at < hi
	}), err
}
