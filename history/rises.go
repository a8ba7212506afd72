package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tidemark/bake"
)

// rises is how rises are stored. Of one that exists the judgement stays as it is: that
// belongs to people. A batch once known is not wiped by an unknown one.
func rises() table[bake.Rise] {
	return table[bake.Rise]{name: "rises", key: "id", keep: "outcome, oven_spring, note, batch", also: "batch = coalesce(excluded.batch, batch)",
		columns: "id, vessel, holds, started_ms, ended_ms, baseline_l, baseline_sd_l, target_percent, " +
			"reached_ms, peak_percent, peak_ms, mean_dough_c, max_rate, ceiling_percent, phase, phase_since_ms, " +
			"equiv_hours, peak_equiv_hours, reached_equiv_hours, batch, outcome, oven_spring, note, demo, imported",
		fields: func(r *bake.Rise) []any {
			return []any{&r.ID, &r.Vessel, (*string)(&r.Holds), instant(&r.StartedAt), instant(&r.EndedAt), real(&r.BaselineL), real(&r.BaselineSDL),
				real(&r.TargetPercent), instant(&r.ReachedAt), real(&r.PeakPercent), instant(&r.PeakAt), real(&r.MeanDoughC), real(&r.MaxRate),
				real(&r.CeilingPercent), (*string)(&r.Phase), instant(&r.PhaseSince), real(&r.EquivHours), real(&r.PeakEquivHours),
				real(&r.ReachedEquivHours), blob(&r.Batch), &r.Outcome, &r.OvenSpring, &r.Note, &r.Demo, &r.Imported}
		},
		id: func(r bake.Rise) any { return r.ID },
		merge: func(stored, waiting bake.Rise) bake.Rise {
			waiting.Judgement = stored.Judgement // it does not wait: it is in the file only
			return waiting
		}}
}

// summarySQL takes from the samples what they say better than the caller may
// have noted: mean dough temperature and growth times. Where they say nothing, the
// caller's value stays.
const summarySQL = `UPDATE rises SET
 mean_dough_c = coalesce((SELECT avg(dough_mc) / 1000 FROM samples WHERE rise_id = :id), mean_dough_c),
 equiv_hours = coalesce((SELECT max(equiv_mh) / 1000.0 FROM samples WHERE rise_id = :id), equiv_hours),
 peak_equiv_hours = coalesce((SELECT max(equiv_mh) / 1000.0 FROM samples WHERE rise_id = :id AND t_ms <= peak_ms), peak_equiv_hours),
 reached_equiv_hours = coalesce((SELECT max(equiv_mh) / 1000.0 FROM samples WHERE rise_id = :id AND t_ms <= reached_ms), reached_equiv_hours)
 WHERE id = :id`

// riseRecord stores the state of a rise; of one that ended, what its samples say of
// the whole.
func riseRecord(r bake.Rise) record {
	out := rises().record(r)
	if r.UnderWay() {
		return out
	}
	state := out.write
	out.write = func(ctx context.Context, tx *sql.Tx) error {
		if err := state(ctx, tx); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, summarySQL, sql.Named("id", r.ID))
		return err
	}
	return out
}

// checkRise refuses what could not be found again.
func checkRise(r bake.Rise) error {
	if r.Vessel == "" || r.StartedAt.IsZero() {
		return fmt.Errorf("history: a rise needs a vessel and a start, got %q at %v", r.Vessel, r.StartedAt)
	}
	return checkOutcome(r.Outcome)
}

// checkOutcome refuses an unknown outcome.
func checkOutcome(o string) error {
	if o != "" && !slices.Contains(bake.Outcomes(), o) {
		return fmt.Errorf("history: outcome %q is not known; use under, right, over or leave it empty", o)
	}
	return nil
}

// BeginRise stores a new rise and, unless it is nil, the event that begins it, in one
// transaction, and returns the rise's id. The event gets its own id, and the rise's id
// and vessel. When the disk refuses, they are kept in memory under ids that stay their
// own; Health tells.
func (s *Store) BeginRise(ctx context.Context, r bake.Rise, e *bake.Event) (id int64, err error) {
	if err := checkRise(r); err != nil {
		return 0, err
	}
	if e != nil {
		if *e, err = checked(*e); err != nil {
			return 0, err
		}
	}
	r.ID = s.freshID(ctx, "rises")
	records := []record{riseRecord(r)}
	if e != nil {
		e.ID, e.RiseID, e.Vessel = s.freshID(ctx, "events"), r.ID, r.Vessel
		records = append(records, events().record(*e))
	}
	return r.ID, s.save(ctx, records...)
}

// UpdateRise stores the state of a rise: all but its judgement, which JudgeRise
// writes. With the end of one, mean temperature and growth times are taken from its
// samples. It costs a write of the disk, so call it when something changed (phase,
// baseline, mark reached), not with every reading. When the disk refuses, the
// state is kept in memory and Health tells.
func (s *Store) UpdateRise(ctx context.Context, r bake.Rise) error {
	if r.ID <= 0 {
		return fmt.Errorf("history: update of a rise needs its id, got %d", r.ID)
	}
	if err := checkRise(r); err != nil {
		return err
	}
	return s.save(ctx, riseRecord(r))
}

// JudgeRise stores what a person thought of the result.
func (s *Store) JudgeRise(ctx context.Context, id int64, j bake.Judgement) error {
	if err := checkOutcome(j.Outcome); err != nil {
		return err
	}
	n, err := s.exec(ctx, "UPDATE rises SET outcome = ?, oven_spring = ?, note = ? WHERE id = ?", j.Outcome, j.OvenSpring, j.Note, id)
	return changed(n, err, id)
}

// changed refuses a change of a rise that is not there.
func changed(n int64, err error, id int64) error {
	if err == nil && n == 0 {
		err = fmt.Errorf("%w: rise %d", ErrNotFound, id)
	}
	return err
}

// DeleteRise removes a rise and everything that belongs to it. It is for the service: of a
// deletion beside it the service would not know, and bring back the samples that wait.
func (s *Store) DeleteRise(ctx context.Context, id int64) error {
	query := "DELETE FROM notifications WHERE alarm_id IN (SELECT id FROM alarms WHERE rise_id = :id);"
	for _, t := range []string{"samples", "forecasts", "events", "alarms", "photos"} {
		query += "DELETE FROM " + t + " WHERE rise_id = :id;"
	}
	n, err := s.exec(ctx, query+"DELETE FROM rises WHERE id = :id", sql.Named("id", id)) // the last counts
	return changed(n, err, id)
}

// Rise returns one rise, or ErrNotFound.
func (s *Store) Rise(ctx context.Context, id int64) (bake.Rise, error) {
	return rises().one(ctx, s, "rise", id)
}

// OpenRises returns the rises under way, oldest first.
func (s *Store) OpenRises(ctx context.Context) ([]bake.Rise, error) {
	return rises().read(ctx, s, bake.Rise.UnderWay, "WHERE ended_ms IS NULL ORDER BY id")
}

// Filter chooses rises. A zero field does not restrict.
type Filter struct {
	Vessel  string
	From    time.Time // started at or after
	Until   time.Time // started before
	Outcome string    // "under", "right", "over", or "none" for not judged
	Text    string    // part of vessel, note or oven spring, any case (ASCII)
	Limit   int       // at most so many, 1..500; 0 means 50
	Cursor  string    // from Page.Next
}

// Page is one page of rises, newest first.
type Page struct {
	Rises []bake.Rise
	Next  string // Cursor of the next page; empty on the last
}

// Rises returns one page of rises, newest start first.
func (s *Store) Rises(ctx context.Context, f Filter) (Page, error) {
	limit := f.Limit
	switch {
	case limit == 0:
		limit = 50
	case limit < 0 || limit > 500:
		return Page{}, fmt.Errorf("history: a page has 1 to 500 rises, got %d", limit)
	}
	where, args, err := f.where()
	if err != nil {
		return Page{}, err
	}
	var p Page
	if p.Rises, err = rises().stored(ctx, s, where+" ORDER BY started_ms DESC, id DESC LIMIT ?", append(args, limit+1)...); err != nil {
		return Page{}, err
	}
	if len(p.Rises) > limit {
		p.Rises = p.Rises[:limit]
		last := p.Rises[limit-1]
		p.Next = fmt.Sprintf("%d.%d", last.StartedAt.UnixMilli(), last.ID)
	}
	unsearched := f == Filter{Vessel: f.Vessel, Limit: f.Limit}
	for _, r := range waiting[bake.Rise](&s.pending) {
		switch i := slices.IndexFunc(p.Rises, func(o bake.Rise) bool { return o.ID == r.ID }); {
		case i >= 0:
			p.Rises[i] = rises().merge(p.Rises[i], r)
		case unsearched && (f.Vessel == "" || f.Vessel == r.Vessel): // a new one
			p.Rises = append(p.Rises, r)
		}
	}
	slices.SortStableFunc(p.Rises, func(a, b bake.Rise) int { return b.StartedAt.Compare(a.StartedAt) })
	return p, nil
}

// where turns the filter into SQL.
func (f Filter) where() (string, []any, error) {
	cond := []string{"true"}
	var args []any
	add := func(c string, a ...any) { cond, args = append(cond, c), append(args, a...) }
	if f.Vessel != "" {
		add("vessel = ?", f.Vessel)
	}
	if !f.From.IsZero() {
		add("started_ms >= ?", f.From.UnixMilli())
	}
	if !f.Until.IsZero() {
		add("started_ms < ?", f.Until.UnixMilli())
	}
	switch f.Outcome {
	case "":
	case "none":
		add("outcome = ''")
	default:
		if err := checkOutcome(f.Outcome); err != nil {
			return "", nil, err
		}
		add("outcome = ?", f.Outcome)
	}
	if f.Text != "" {
		like := "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(f.Text) + "%"
		add(`(vessel LIKE ? ESCAPE '\' OR note LIKE ? ESCAPE '\' OR oven_spring LIKE ? ESCAPE '\')`, like, like, like)
	}
	if f.Cursor != "" {
		var started, id int64
		if n, err := fmt.Sscanf(f.Cursor, "%d.%d", &started, &id); n != 2 || err != nil {
			return "", nil, fmt.Errorf("history: %q is not a place in the list; leave it out to start at the newest", f.Cursor)
		}
		add("(started_ms, id) < (?, ?)", started, id)
	}
	return "WHERE " + strings.Join(cond, " AND "), args, nil
}

// Vessels returns the names of all vessels that ever had a rise.
func (s *Store) Vessels(ctx context.Context) ([]string, error) {
	out, err := selectAll(ctx, s, scanText, "SELECT DISTINCT vessel FROM rises ORDER BY vessel")
	for _, r := range waiting[bake.Rise](&s.pending) {
		if !slices.Contains(out, r.Vessel) {
			out = append(out, r.Vessel)
		}
	}
	return out, err
}

// ErrExists says that the rise is in the history already.
var ErrExists = errors.New("history: the rise is there already")

// ImportRise stores a rise that ended, with its samples, in one transaction: all of
// it or nothing. When there is a rise of the same vessel at that time, it is refused with
// ErrExists and the other's id.
func (s *Store) ImportRise(ctx context.Context, r bake.Rise, rows []bake.Recorded) (int64, error) {
	odd := func(r rune) bool { return !unicode.IsPrint(r) }
	switch err := checkRise(r); {
	case err != nil:
		return 0, err
	case strings.IndexFunc(r.Vessel, odd) >= 0 || !utf8.ValidString(r.Vessel) || len(r.Vessel) > nameMost:
		return 0, fmt.Errorf("history: the name %.40q holds characters that cannot be seen, or is longer than %d bytes", r.Vessel, nameMost)
	case r.UnderWay():
		return 0, errors.New("history: only a rise that ended can be imported")
	}
	r.ID, r.Imported = s.freshID(ctx, "rises"), true
	records := []record{}
	for _, row := range rows {
		records = append(records, samples().record(riseRow{r.ID, row}))
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		there, err := selectIn(ctx, tx, scanInt, "SELECT id FROM rises WHERE vessel = ? AND started_ms < ? AND coalesce(ended_ms, ?) > ? ORDER BY started_ms LIMIT 1",
			r.Vessel, r.EndedAt.UnixMilli(), s.opt.Now().UnixMilli(), r.StartedAt.UnixMilli())
		if err == nil && len(there) > 0 {
			err = fmt.Errorf("%w: vessel %s, start %s, rise %d", ErrExists, r.Vessel, r.StartedAt, there[0])
		}
		if err != nil {
			return err
		}
		return writeAll(ctx, tx, append(records, riseRecord(r)))
	})
	return r.ID, err
}

// nameMost is the longest name of a vessel, in bytes.
const nameMost = 200
