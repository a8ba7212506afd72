package app

import (
	"cmp"
	"context"
	"errors"
	"strings"
	"time"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/bake"
)

// maxEventAge is how far back in time an event may be dated.
const maxEventAge = 12 * time.Hour

// maxNote bounds the note of a rise, characters.
const maxNote = 4000

// aroundRise is how far outside its rise an event of it may lie: the oven comes after it.
const aroundRise = 2 * 24 * time.Hour

// Do takes in what a person says happened: on the page, through the API, the
// command line or the demo. A bake.Refusal is for the person; e.At zero means now.
func (a *App) Do(ctx context.Context, e bake.Event) error {
	defer a.updates.notify()
	if judges(e.Kind) {
		return a.judge(ctx, e)
	}
	v, err := a.hold(e.Vessel)
	if err != nil {
		return err
	}
	defer v.mu.Unlock()
	now := a.opt.Clock.Now() // with the lock: the clock is not set meanwhile
	if err := a.dated(&e, now); err != nil {
		return err
	}
	if e.RiseID != 0 && e.RiseID != v.state.RiseID {
		return bake.Refuse("other_rise", nil)
	}
	e.Vessel, e.Told, e.RiseID = v.name, now, alarmRise(v.state)
	if e, err = v.session.Check(e); err != nil {
		return err
	}
	v.keep(now)
	v.session.Apply(v.keepEvent(e, bake.Rise{TargetPercent: v.config.TargetPercent}))
	v.foldAgain()
	v.moveOn(now)
	return nil
}

// dated dates an event that has no time, or one to come, now. It refuses one of long
// ago.
func (a *App) dated(e *bake.Event, now time.Time) error {
	if e.At.IsZero() || e.At.After(now) {
		e.At = now
	}
	if now.Sub(e.At) > maxEventAge {
		return bake.Refuse("long_ago", text.Values{"at": a.words.At(now).Moment(e.At), "span": maxEventAge})
	}
	return nil
}

// judges reports whether an event says what a person thought of a rise. Such events
// belong to any rise, also one that ended long ago.
func judges(k bake.EventKind) bool { return k == bake.EventNote || k == bake.EventJudged }

// judge keeps a note or a judgement of a rise.
func (a *App) judge(ctx context.Context, e bake.Event) error {
	v := a.vessels[e.Vessel] // none for a vessel of former times
	if v != nil {
		v.mu.Lock()
		defer v.mu.Unlock()
		e.RiseID = cmp.Or(e.RiseID, alarmRise(v.state))
	}
	if e.RiseID == 0 {
		return bake.Refuse("no_rise", text.Values{"vessel": e.Vessel})
	}
	if err := a.dated(&e, a.opt.Clock.Now()); err != nil {
		return err
	}
	r, err := a.opt.Store.Rise(ctx, e.RiseID)
	if err != nil {
		return err
	}
	if utf8.RuneCountInString(r.Note)+utf8.RuneCountInString(e.Note) > maxNote {
		return bake.Refuse("long_note", text.Values{"n": maxNote})
	}
	if e.ID, err = a.opt.Store.AddEvent(ctx, e); err != nil {
		return err
	}
	if v != nil && v.state.Rise.ID == e.RiseID {
		v.session.Apply(e)
		v.state = v.session.State()
	}
	return a.keepJudgement(ctx, e.RiseID)
}

// keepJudgement writes the judgement of a rise as its events have it: the last one
// that stands, under the notes in their order.
func (a *App) keepJudgement(ctx context.Context, riseID int64) error {
	events, err := a.opt.Store.Events(ctx, riseID)
	if err != nil {
		return err
	}
	var j bake.Judgement
	var notes []string
	for _, e := range events {
		if e.Undone() || !judges(e.Kind) {
			continue
		}
		if e.Kind == bake.EventJudged {
			j = bake.Judgement{Outcome: e.Outcome, OvenSpring: e.OvenSpring}
		}
		if e.Kind == bake.EventJudged && e.Note != "" {
			notes = nil // it was written over what stood there
		}
		if e.Note != "" {
			notes = append(notes, e.Note)
		}
	}
	j.Note = strings.Join(notes, "\n")
	return a.opt.Store.JudgeRise(ctx, riseID, j)
}

// Undo takes an event back; riseID names the rise it belongs to where that is not
// the one under way, and id 0 means the last event that can be taken back.
func (a *App) Undo(ctx context.Context, name string, riseID, id int64) error {
	now := a.opt.Clock.Now()
	return a.amend(ctx, name, riseID, id, func(e *bake.Event) { e.UndoneAt = now }, func(v *vessel) (bake.Event, error) {
		last := id
		for _, e := range v.state.Events {
			if id == 0 && e.Kind.CanUndo() {
				last = e.ID
			}
		}
		if last == 0 {
			return bake.Event{}, bake.Refuse("nothing_left", nil)
		}
		return v.session.Undo(last, now)
	})
}

// Correct moves an event to another time; riseID names its rise where that is not the one
// under way.
func (a *App) Correct(ctx context.Context, name string, riseID, id int64, at time.Time) error {
	now := a.opt.Clock.Now()
	return a.amend(ctx, name, riseID, id, func(e *bake.Event) { e.At = at }, func(v *vessel) (bake.Event, error) {
		if at.After(now) || now.Sub(at) > maxEventAge {
			return bake.Event{}, bake.Refuse("not_lately", text.Values{"at": a.words.At(now).Moment(at), "span": maxEventAge})
		}
		return v.session.Correct(id, at)
	})
}

// amend changes an event: past by the history where it belongs to a past rise, else now
// by the session, whose journal is folded again.
func (a *App) amend(ctx context.Context, name string, riseID, id int64, past func(*bake.Event), now func(*vessel) (bake.Event, error)) error {
	defer a.updates.notify()
	if riseID != 0 && id != 0 && !a.ownRise(name, riseID) {
		return a.amendPast(ctx, riseID, id, past)
	}
	v, err := a.hold(name)
	if err != nil {
		return err
	}
	defer v.mu.Unlock()
	e, err := now(v)
	if err != nil {
		return err
	}
	v.unkept("event", e.RiseID, a.opt.Store.UpdateEvents(context.WithoutCancel(ctx), e))
	if judges(e.Kind) {
		err = a.keepJudgement(ctx, e.RiseID)
	}
	if e.Undone() && e.Kind.Starts() {
		v.startUndone(e)
	}
	v.foldAgain()
	if v.state = v.session.State(); !v.folding {
		v.moveOn(a.opt.Clock.Now())
	}
	return err
}

// ownRise reports whether a rise belongs to what a vessel is watched for now.
func (a *App) ownRise(name string, riseID int64) bool {
	v, err := a.hold(name)
	if err != nil {
		return false
	}
	defer v.mu.Unlock()
	return v.state.Rise.ID == riseID
}

// amendPast changes an event of a past rise. What was made of the rise stays; so do its
// beginning and end, between which it was measured.
func (a *App) amendPast(ctx context.Context, riseID, id int64, change func(*bake.Event)) error {
	r, err := a.opt.Store.Rise(ctx, riseID)
	if err != nil {
		return err
	}
	e, err := a.opt.Store.Event(ctx, id)
	switch {
	case err != nil:
		return err
	case e.RiseID != riseID || r.UnderWay() && !judges(e.Kind) || e.Undone() || !e.Kind.CanUndo():
		return bake.Refuse("former", nil)
	case e.Kind.Starts() || e.Ends():
		return bake.Refuse("past_ends", nil)
	}
	change(&e)
	if judges(e.Kind) {
		return errors.Join(a.opt.Store.UpdateEvents(ctx, e), a.keepJudgement(ctx, riseID))
	}
	if e.At.Before(r.StartedAt.Add(-aroundRise)) || e.At.After(r.EndedAt.Add(aroundRise)) {
		return bake.Refuse("outside_rise", text.Values{"at": a.words.At(a.opt.Clock.Now()).Moment(e.At)})
	}
	return a.opt.Store.UpdateEvents(ctx, e)
}

// RemoveRise takes a past rise out of the history, with all that belongs to it and what
// it taught.
func (a *App) RemoveRise(ctx context.Context, id int64) error {
	r, err := a.opt.Store.Rise(ctx, id)
	if err != nil {
		return err
	}
	if r.UnderWay() || a.ownRise(r.Vessel, id) {
		return bake.Refuse("still_watched", text.Values{"vessel": r.Vessel})
	}
	defer a.updates.notify()
	err = errors.Join(a.opt.Store.DeleteRise(ctx, id), a.opt.Store.Settings().Delete(ctx, learnKey(r.Vessel, id)))
	if v, gone := a.hold(r.Vessel); gone == nil {
		defer v.mu.Unlock()
		v.session.Forget(id)
		v.learn()
	}
	return err
}

// because is bake.Refuse with the reason that an error gives.
func because(key string, err error) bake.Refusal { return bake.Refuse(key, text.Values{"reason": err}) }
