package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
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

// check refuses what could not be found or read again.
func (e Event) check() error {
	if e.Kind == "" || e.At.IsZero() || e.RiseID < 0 {
		return fmt.Errorf("history: an event needs a kind and a time, got %q at %v of rise %d", e.Kind, e.At, e.RiseID)
	}
	if len(e.Body) > 0 && !json.Valid(e.Body) {
		return fmt.Errorf("history: the body of event %q is not JSON", e.Kind)
	}
	return nil
}

const eventColumns = "id, rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms"

// scanEvent reads one line with eventColumns. A body that is no JSON, in a spoiled
// file, is left out.
func scanEvent(scan scanner) (Event, error) {
	var e Event
	var rise, at, recorded, undone sql.NullInt64
	var body sql.NullString
	err := scan(&e.ID, &rise, &e.Vessel, &at, &recorded, &e.By, &e.Kind, &body, &undone)
	e.RiseID, e.At, e.RecordedAt, e.UndoneAt = rise.Int64, fromMS(at), fromMS(recorded), fromMS(undone)
	if json.Valid([]byte(body.String)) {
		e.Body = json.RawMessage(body.String)
	}
	return e, err
}

// values are the columns of an event in the order of eventColumns.
func (e Event) values() []any {
	var id, rise any
	if e.ID != 0 {
		id = e.ID
	}
	if e.RiseID != 0 {
		rise = e.RiseID
	}
	if e.RecordedAt.IsZero() {
		e.RecordedAt = e.At
	}
	return []any{id, rise, e.Vessel, e.At.UnixMilli(), e.RecordedAt.UnixMilli(), e.By, e.Kind, text(string(e.Body)), ms(e.UndoneAt)}
}

const upsertEventSQL = "INSERT INTO events (" + eventColumns + `) VALUES (?,?,?,?,?,?,?,?,?)
 ON CONFLICT (id) DO UPDATE SET rise_id = excluded.rise_id, vessel = excluded.vessel, at_ms = excluded.at_ms,
 recorded_ms = excluded.recorded_ms, by_whom = excluded.by_whom, kind = excluded.kind, body = excluded.body, undone_ms = excluded.undone_ms`

// record stores the event.
func (e Event) record() record {
	return record{eventKey(e.ID), e, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, upsertEventSQL, e.values()...)
		return err
	}}
}

// AddEvent stores an event at once and returns its id. When the disk refuses, the
// event is held in memory under an id that stays its own; Health tells.
func (s *Store) AddEvent(ctx context.Context, e Event) (int64, error) {
	if err := e.check(); err != nil {
		return 0, err
	}
	e.ID = 0
	return s.insert(ctx, "events", upsertEventSQL, e.values(), func(id int64) []record {
		e.ID = id
		return []record{e.record()}
	})
}

// BeginRiseWith stores a new rise and the event that begins it in one transaction
// and returns their ids. The event gets the rise's id and vessel.
func (s *Store) BeginRiseWith(ctx context.Context, r Rise, e Event) (riseID, eventID int64, err error) {
	if err := errors.Join(checkRise(r), e.check()); err != nil {
		return 0, 0, err
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	r.ID, e.ID, e.Vessel = 0, 0, r.Vessel
	err = s.writeLocked(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, insertRiseSQL(), riseValues(r)...)
		if err != nil {
			return err
		}
		if riseID, err = res.LastInsertId(); err != nil {
			return err
		}
		e.RiseID = riseID
		if res, err = tx.ExecContext(ctx, upsertEventSQL, e.values()...); err != nil {
			return err
		}
		eventID, err = res.LastInsertId()
		return err
	})
	if s.refused(err) {
		r.ID, e.ID = s.freshID(ctx, "rises"), s.freshID(ctx, "events")
		e.RiseID = r.ID
		return r.ID, e.ID, s.pending.add(s.riseRecord(r), e.record())
	}
	return riseID, eventID, err
}

// UpdateEvents stores events that are there already, as they are now: undone, put
// right in time, given to another rise. It is all or nothing. When the disk
// refuses, they are held in memory; Health tells.
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
	out = s.overlayEvents(out, func(e Event) bool { return e.ID == id })
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("%w: event %d", ErrNotFound, id)
	}
	if err != nil {
		return Event{}, err
	}
	return out[0], nil
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
