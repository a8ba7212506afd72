package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// Event is one line of the journal beside the samples: what a person, a plan or
// the program did or saw. An event that was undone stays, marked.
type Event struct {
	ID         int64
	RiseID     int64           // 0: of no rise
	Vessel     string          // empty: of no vessel
	At         time.Time       // when it happened; a person may correct it
	RecordedAt time.Time       // when it was said; zero stands for At
	By         string          // who: a session, a token's name, "cli"
	Kind       string          // e.g. "fold", "target", "note"
	Body       json.RawMessage // what belongs to it; nil: nothing
	UndoneAt   time.Time       // zero: it counts
}

// Undone reports whether the event was taken back.
func (e Event) Undone() bool { return !e.UndoneAt.IsZero() }

// check refuses what could not be found or read again, and fills in what was left
// zero.
func (e *Event) check() error {
	if e.Kind == "" || e.At.IsZero() || e.RiseID < 0 {
		return fmt.Errorf("history: an event needs a kind and a time, got %q at %v of rise %d", e.Kind, e.At, e.RiseID)
	}
	if len(e.Body) > 0 && !json.Valid(e.Body) {
		return fmt.Errorf("history: the body of event %q is not JSON", e.Kind)
	}
	if e.RecordedAt.IsZero() {
		e.RecordedAt = e.At
	}
	return nil
}

const eventColumns = "id, rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms"

// fields are the columns of an event in the order of eventColumns.
func (e *Event) fields() []any {
	return []any{orNull(&e.ID), orNull(&e.RiseID), &e.Vessel, instant(&e.At), instant(&e.RecordedAt), &e.By, &e.Kind, document(&e.Body), instant(&e.UndoneAt)}
}

// scanEvent reads one line with eventColumns.
func scanEvent(scan scanner) (e Event, err error) {
	err = scan(e.fields()...)
	return e, err
}

// eventSQL writes an event.
func eventSQL() string { return upsertSQL("events", "id", eventColumns, "id") }

// record stores the event.
func (e Event) record() record { return recordOf(eventKey(e.ID), e, eventSQL(), e.fields()...) }

// AddEvent stores an event at once and returns its id. When the disk refuses, the
// event is kept in memory under an id that stays its own; Health tells.
func (s *Store) AddEvent(ctx context.Context, e Event) (int64, error) {
	if err := e.check(); err != nil {
		return 0, err
	}
	insert := func(tx *sql.Tx) (err error) {
		e.ID = 0
		e.ID, err = insertLine(ctx, tx, eventSQL(), e.fields()...)
		return err
	}
	err := s.add(ctx, insert, func() []record {
		e.ID = s.freshID(ctx, "events")
		return []record{e.record()}
	})
	return e.ID, err
}

// UpdateEvents stores events that are there already, as they are now: undone, put
// right in time, given to another rise. It is all or nothing. When the disk
// refuses, they are kept in memory; Health tells.
func (s *Store) UpdateEvents(ctx context.Context, events ...Event) error {
	records := make([]record, len(events))
	for i, e := range events {
		if err := e.check(); err != nil {
			return err
		}
		if e.ID <= 0 {
			return fmt.Errorf("history: update of an event needs its id, got %d", e.ID)
		}
		records[i] = e.record()
	}
	return kept(s.save(ctx, records...))
}

// overlayEvents puts the events that wait for the disk into a list, in order of time.
func (s *Store) overlayEvents(events []Event, wanted func(Event) bool) []Event {
	events = overlay(&s.pending, events, func(e Event) int64 { return e.ID }, wanted)
	slices.SortStableFunc(events, func(a, b Event) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	return events
}

// Event returns one event, or ErrNotFound.
func (s *Store) Event(ctx context.Context, id int64) (Event, error) {
	out, err := selectAll(ctx, s, scanEvent, "SELECT "+eventColumns+" FROM events WHERE id = ?", id)
	return first(s.overlayEvents(out, func(e Event) bool { return e.ID == id }), err, "event", id)
}

// Events returns the journal of a rise in order of time, the undone included.
func (s *Store) Events(ctx context.Context, riseID int64) ([]Event, error) {
	out, err := selectAll(ctx, s, scanEvent, "SELECT "+eventColumns+" FROM events WHERE rise_id = ?", riseID)
	return s.overlayEvents(out, func(e Event) bool { return e.RiseID == riseID }), err
}

// VesselEvents returns what happened to a vessel in [from, until), in a rise or
// not, in order of time, the undone included; a zero bound does not restrict.
func (s *Store) VesselEvents(ctx context.Context, vessel string, from, until time.Time) ([]Event, error) {
	lo, hi := bounds(from, until)
	out, err := selectAll(ctx, s, scanEvent, "SELECT "+eventColumns+" FROM events WHERE vessel = ? AND at_ms >= ? AND at_ms < ?", vessel, lo, hi)
	return s.overlayEvents(out, func(e Event) bool {
		at := e.At.UnixMilli()
		return e.Vessel == vessel && at >= lo && at < hi
	}), err
}
