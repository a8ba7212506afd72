package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Act is an Event as the present watch writes it.
type Act struct {
	ID     int64
	RiseID int64
	At     time.Time
	Kind   string // e.g. "fold", "target", "note"
	By     string // who: a session, a token's name, "cli"
	Data   json.RawMessage
	Undone bool
}

// asAct is the way from an event.
func asAct(e Event) Act {
	return Act{e.ID, e.RiseID, e.At, e.Kind, e.By, e.Body, !e.UndoneAt.IsZero()}
}

// asEvent is the way to an event.
func (s *Store) asEvent(ctx context.Context, a Act) Event {
	e := Event{ID: a.ID, RiseID: a.RiseID, At: a.At, RecordedAt: a.At, By: a.By, Kind: a.Kind, Body: a.Data}
	if a.Undone {
		e.UndoneAt = s.opt.Now()
	}
	if r, err := s.Rise(ctx, a.RiseID); err == nil {
		e.Vessel = r.Vessel
	}
	return e
}

// AddAct stores what somebody did and returns its id. When the disk refuses, the
// act is held in memory and Health tells.
func (s *Store) AddAct(ctx context.Context, a Act) (int64, error) {
	return s.AddEvent(ctx, s.asEvent(ctx, a))
}

// UndoAct marks an act as undone and returns it. An act that is undone already
// is an error, so that a second tap does nothing twice.
func (s *Store) UndoAct(ctx context.Context, id int64) (Act, error) {
	e, err := s.Event(ctx, id)
	if err != nil {
		return Act{}, err
	}
	if !e.UndoneAt.IsZero() {
		return Act{}, fmt.Errorf("history: act %d (%s) is undone already", id, e.Kind)
	}
	e.UndoneAt = s.opt.Now()
	return asAct(e), s.UpdateEvents(ctx, e)
}

// Act returns one act, or ErrNotFound.
func (s *Store) Act(ctx context.Context, id int64) (Act, error) {
	e, err := s.Event(ctx, id)
	return asAct(e), err
}

// Acts returns what was done to a rise, in order of time, the undone included.
func (s *Store) Acts(ctx context.Context, riseID int64) ([]Act, error) {
	events, err := s.Events(ctx, riseID)
	var out []Act
	for _, e := range events {
		out = append(out, asAct(e))
	}
	return out, err
}

// Deed is an act with all that it changed. It is stored whole or not at all, so that
// after a stop in the middle the act counts as not done and can be done again. Taking an
// act back is one as well.
type Deed struct {
	Act Act // one with an ID is stored already: what changes is whether it is undone
	// Rise is the state of the rise after the act; nil when it did not change. One
	// with an end is ended as EndRise does.
	Rise *Rise
	// Reopened says that the rise had ended and is under way again.
	Reopened bool
	// Events are the samples that carry what was done, by their rise.
	Events []RiseRow
	// Processes are the steps after the act, by their rise.
	Processes map[int64][]byte
}

// check refuses what could not be found again.
func (d *Deed) check() error {
	for _, e := range d.Events {
		if e.RiseID <= 0 || e.Row.Time.IsZero() {
			return fmt.Errorf("history: an event needs a rise and a time, got id %d at %v", e.RiseID, e.Row.Time)
		}
	}
	if d.Reopened && (d.Rise == nil || !d.Rise.UnderWay()) {
		return errors.New("history: a rise that is under way again has no end")
	}
	if d.Rise == nil {
		return nil
	}
	return checkStored(*d.Rise)
}

// KeepDeed stores an act with what it changed and returns the id of the act. When the
// disk refuses, all of it is held in memory and Health tells.
func (s *Store) KeepDeed(ctx context.Context, d Deed) (int64, error) {
	e := s.asEvent(ctx, d.Act)
	if err := errors.Join(e.check(), d.check()); err != nil {
		return 0, err
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	var records []record
	for rise, body := range d.Processes {
		records = append(records, processRecord(rise, body))
	}
	if d.Rise != nil {
		records = append(records, s.riseRecord(*d.Rise))
	}
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, upsertEventSQL, e.values()...)
		if err != nil {
			return err
		}
		if e.ID == 0 {
			if e.ID, err = res.LastInsertId(); err != nil {
				return err
			}
		}
		if err := insertRows(ctx, tx, d.Events); err != nil {
			return err
		}
		for _, r := range records {
			if err := r.write(ctx, tx); err != nil {
				return err
			}
		}
		return nil
	})
	switch {
	case err == nil:
		s.pending.drop(append(records, e.record())...)
	case s.refused(err):
		if e.ID = d.Act.ID; e.ID == 0 {
			e.ID = s.freshID(ctx, "events")
		}
		for _, r := range d.Events {
			s.queue.add(r)
		}
		err = s.pending.add(append(records, e.record())...)
	}
	if err != nil {
		return 0, err
	}
	return e.ID, nil
}

// processRecord stores the steps of a rise.
func processRecord(riseID int64, body []byte) record {
	body = slices.Clone(body)
	return record{processKey(riseID), process{riseID, body}, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO processes (rise_id, body) VALUES (?,?) ON CONFLICT (rise_id) DO UPDATE SET body = excluded.body",
			riseID, body)
		return err
	}}
}

// process is the steps of a rise as the caller encodes them.
type process struct {
	riseID int64
	body   []byte
}

// SaveProcess stores the steps of a rise as the caller encodes them. When the
// disk refuses, they are held in memory and Health tells.
func (s *Store) SaveProcess(ctx context.Context, riseID int64, body []byte) error {
	if riseID <= 0 || body == nil {
		return fmt.Errorf("history: a process needs a rise and a body, got id %d and %d bytes", riseID, len(body))
	}
	return kept(s.save(ctx, processRecord(riseID, body)))
}

// Process returns what SaveProcess stored, or ErrNotFound.
func (s *Store) Process(ctx context.Context, riseID int64) ([]byte, error) {
	out, err := selectAll(ctx, s, func(scan scanner) (process, error) {
		p := process{riseID: riseID}
		err := scan(&p.body)
		return p, err
	}, "SELECT body FROM processes WHERE rise_id = ?", riseID)
	out = overlay(&s.pending, out, func(p process) int64 { return p.riseID }, func(p process) bool { return p.riseID == riseID })
	if err != nil || len(out) == 0 {
		return nil, errors.Join(err, fmt.Errorf("%w: no process of rise %d", ErrNotFound, riseID))
	}
	return slices.Clone(out[0].body), nil
}
