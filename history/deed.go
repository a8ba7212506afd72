package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
)

// Deed is an act with all that it changed. It is stored whole or not at all, so that
// after a stop in the middle the act counts as not done and can be done again.
type Deed struct {
	Act Act
	// Rise is the state of the rise after the act; nil when it did not change. One
	// with an end is ended as EndRise does.
	Rise *Rise
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
	if d.Rise == nil {
		return nil
	}
	if d.Rise.ID <= 0 {
		return fmt.Errorf("history: update of a rise needs its id, got %d", d.Rise.ID)
	}
	return checkRise(*d.Rise)
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
	err := s.writeLocked(ctx, func(tx *sql.Tx) error { return s.writeDeed(ctx, tx, &d) })
	switch {
	case isRefusal(err):
		d.Act.ID = s.freshID(ctx, "acts")
		s.holdDeed(d)
		return d.Act.ID, nil
	case err != nil:
		return 0, err
	}
	if d.Rise != nil {
		drop(&s.held, &s.held.rises, d.Rise.ID)
	}
	for id := range d.Processes {
		drop(&s.held, &s.held.processes, id)
	}
	return d.Act.ID, nil
}

// writeDeed does the work of KeepDeed in a transaction and numbers the act.
func (s *Store) writeDeed(ctx context.Context, tx *sql.Tx, d *Deed) error {
	res, err := tx.ExecContext(ctx, "INSERT INTO acts (rise_id, at_ms, kind, by_whom, data, undone) VALUES (?,?,?,?,?,?)",
		d.Act.RiseID, d.Act.At.UnixMilli(), d.Act.Kind, d.Act.By, text(string(d.Act.Data)), d.Act.Undone)
	if err != nil {
		return err
	}
	if d.Act.ID, err = res.LastInsertId(); err != nil {
		return err
	}
	for id, body := range d.Processes {
		if err := upsertProcess(ctx, tx, id, body); err != nil {
			return err
		}
	}
	if err := insertRows(ctx, tx, d.Events); err != nil {
		return err
	}
	if d.Rise == nil {
		return nil
	}
	if err := upsertRise(ctx, tx, *d.Rise); err != nil || !d.ends() {
		return err
	}
	return s.closeIn(ctx, tx, d.Rise.ID)
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
