package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
)

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

// RiseRow is a sample with the rise it belongs to.
type RiseRow struct {
	RiseID int64
	Row    Row
}

// check refuses what could not be found again.
func (d *Deed) check() error {
	if d.Act.Kind == "" || d.Act.At.IsZero() {
		return fmt.Errorf("history: an act needs a kind and a time, got %q at %v", d.Act.Kind, d.Act.At)
	}
	if len(d.Act.Data) > 0 && !json.Valid(d.Act.Data) {
		return fmt.Errorf("history: the data of act %q are not JSON", d.Act.Kind)
	}
	for _, e := range d.Events {
		if e.RiseID <= 0 || e.Row.Time.IsZero() {
			return fmt.Errorf("history: an event needs a rise and a time, got id %d at %v", e.RiseID, e.Row.Time)
		}
	}
	if d.Reopened && (d.Rise == nil || d.ends()) {
		return errors.New("history: a rise that is under way again has no end")
	}
	if d.Rise == nil {
		return nil
	}
	return checkStored(*d.Rise)
}

// ends reports whether the act ended the rise.
func (d *Deed) ends() bool { return d.Rise != nil && !d.Rise.EndedAt.IsZero() }

// KeepDeed stores an act with what it changed and returns the id of the act. When the
// disk refuses, all of it is held in memory and Health tells.
func (s *Store) KeepDeed(ctx context.Context, d Deed) (int64, error) {
	if err := d.check(); err != nil {
		return 0, err
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	var id int64
	err := s.writeLocked(ctx, func(tx *sql.Tx) (err error) {
		id, err = s.writeDeed(ctx, tx, d)
		return err
	})
	switch {
	case isRefusal(err):
		if d.Act.ID == 0 {
			d.Act.ID = s.freshID(ctx, "acts")
		}
		s.holdDeed(d)
		return d.Act.ID, nil
	case err != nil:
		return 0, err
	}
	drop(&s.held, &s.held.acts, id)
	if d.Rise != nil {
		drop(&s.held, &s.held.rises, d.Rise.ID)
	}
	for rise := range d.Processes {
		drop(&s.held, &s.held.processes, rise)
	}
	return id, nil
}

// writeDeed does the work of KeepDeed in a transaction and returns the id of the act.
func (s *Store) writeDeed(ctx context.Context, tx *sql.Tx, d Deed) (int64, error) {
	id, err := writeAct(ctx, tx, d.Act)
	if err != nil {
		return 0, err
	}
	for rise, body := range d.Processes {
		if err := upsertProcess(ctx, tx, rise, body); err != nil {
			return 0, err
		}
	}
	if err := insertRows(ctx, tx, d.Events); err != nil {
		return 0, err
	}
	return id, s.writeState(ctx, tx, d)
}

// writeState stores the state of the rise after the act.
func (s *Store) writeState(ctx context.Context, tx *sql.Tx, d Deed) error {
	if d.Rise == nil {
		return nil
	}
	err := upsertRise(ctx, tx, *d.Rise)
	switch {
	case err == nil && d.ends():
		return s.closeIn(ctx, tx, d.Rise.ID)
	case err == nil && d.Reopened:
		_, err = tx.ExecContext(ctx, reopenSQL, d.Rise.ID)
	}
	return err
}

// writeAct stores an act and returns its id.
func writeAct(ctx context.Context, tx *sql.Tx, a Act) (int64, error) {
	if a.ID != 0 {
		return a.ID, upsertAct(ctx, tx, a)
	}
	res, err := tx.ExecContext(ctx, "INSERT INTO acts (rise_id, at_ms, kind, by_whom, data, undone) VALUES (?,?,?,?,?,?)",
		a.RiseID, a.At.UnixMilli(), a.Kind, a.By, text(string(a.Data)), a.Undone)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// holdDeed holds what the disk refused.
func (s *Store) holdDeed(d Deed) {
	put(&s.held, &s.held.acts, d.Act.ID, d.Act)
	for id, body := range d.Processes {
		put(&s.held, &s.held.processes, id, slices.Clone(body))
	}
	for _, e := range d.Events {
		s.buf.add(e)
	}
	if d.Rise != nil {
		put(&s.held, &s.held.rises, d.Rise.ID, *d.Rise)
	}
}

// AddAct stores what somebody did and returns its id. When the disk refuses, the
// act is held in memory and Health tells.
func (s *Store) AddAct(ctx context.Context, a Act) (int64, error) {
	return s.KeepDeed(ctx, Deed{Act: a})
}
