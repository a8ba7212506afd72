package app

import (
	"context"
	"errors"
	"slices"
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

// Do takes in what a person says happened: on the page, through the API, the
// command line or the demo. A bake.Refusal is for the person; e.At zero means now.
func (a *App) Do(ctx context.Context, e bake.Event) error {
	defer a.updates.notify()
	if judges(e.Kind) {
		return a.judge(ctx, e)
	}
	v, err := a.vessel(e.Vessel)
	if err != nil {
		return err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	now := a.opt.Clock.Now() // with the lock: the clock is not set meanwhile
	if err := a.dated(&e, now); err != nil {
		return err
	}
	return a.do(ctx, v, e, now)
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

// do takes an event in. v.mu is held.
func (a *App) do(ctx context.Context, v *vessel, e bake.Event, now time.Time) error {
	if e.RiseID != 0 && e.RiseID != v.state.RiseID {
		return bake.Refuse("other_rise", nil)
	}
	e.Vessel, e.Told, e.RiseID = v.config.Name, now, alarmRise(v.state)
	e, err := v.session.Check(e)
	if err != nil {
		return err
	}
	ended := v.state.RiseID
	v.keep(now)
	e = v.recorder.event(ctx, e, bake.Rise{TargetPercent: v.config.TargetPercent})
	v.session.Apply(e)
	a.foldAgain(v)
	v.moveOn(now)
	if ended != 0 && v.state.RiseID != ended {
		a.riseEnded(ctx, v.config.Name, ended, true)
	}
	return nil
}

// judges reports whether an event says what a person thought of a rise. Such events
// belong to any rise, also one that ended long ago.
func judges(k bake.EventKind) bool { return k == bake.EventNote || k == bake.EventJudged }

// Undo takes an event back; riseID names the rise it belongs to where that is not
// the one under way, and id 0 means the last event that can be taken back.
func (a *App) Undo(ctx context.Context, name string, riseID, id int64) error {
	defer a.updates.notify()
	if done, err := a.amend(ctx, name, riseID, id, func(e *bake.Event) { e.UndoneAt = a.opt.Clock.Now() }); done {
		return err
	}
	v, err := a.vessel(name)
	if err != nil {
		return err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if id == 0 {
		events := slices.DeleteFunc(slices.Clone(v.state.Events), func(e bake.Event) bool { return !e.Kind.CanUndo() })
		if len(events) == 0 {
			return bake.Refuse("nothing_left", nil)
		}
		id = events[len(events)-1].ID
	}
	return a.undo(ctx, v, id)
}

// undo takes an event of the run back. v.mu is held.
func (a *App) undo(ctx context.Context, v *vessel, id int64) error {
	e, err := v.session.Undo(id, a.opt.Clock.Now())
	if err != nil {
		return err
	}
	v.recorder.change(ctx, e)
	if judges(e.Kind) {
		v.state = v.session.State()
		return a.keepJudgement(ctx, e.RiseID)
	}
	if e.Kind.Starts() {
		a.startUndone(ctx, v, e)
	}
	if e.Ends() {
		a.forget(ctx, v, e.RiseID)
	}
	a.foldAgain(v)
	v.state = v.session.State()
	if !v.folding {
		v.moveOn(a.opt.Clock.Now())
	}
	return nil
}

// startUndone lets what is kept go on with the rise before the one whose start was
// taken back. v.mu is held.
func (a *App) startUndone(ctx context.Context, v *vessel, start bake.Event) {
	run := v.session.Journal()
	before, err := a.riseOfRun(ctx, run)
	if err != nil {
		a.log.Warn("the rise before cannot be read", "vessel", v.config.Name, "error", err)
	}
	v.recorder.gone(ctx, start, before, run)
	if before.ID != 0 {
		a.forget(ctx, v, before.ID)
	}
}

// Correct moves an event to another time; riseID names its rise where that is not the one
// under way.
func (a *App) Correct(ctx context.Context, name string, riseID, id int64, at time.Time) error {
	now := a.opt.Clock.Now()
	if done, err := a.amend(ctx, name, riseID, id, func(e *bake.Event) { e.At = at }); done {
		return err
	}
	if at.After(now) || now.Sub(at) > maxEventAge {
		return bake.Refuse("not_lately", text.Values{"at": a.words.At(now).Moment(at), "span": maxEventAge})
	}
	defer a.updates.notify()
	v, err := a.vessel(name)
	if err != nil {
		return err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	e, err := v.session.Correct(id, at)
	if err != nil {
		return err
	}
	v.recorder.change(ctx, e)
	a.foldAgain(v)
	v.state = v.session.State()
	return nil
}

// ownRise reports whether a rise belongs to what a vessel is watched for now.
func (a *App) ownRise(name string, riseID int64) bool {
	v := a.vessels[name]
	if v == nil {
		return false
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.state.Rise.ID == riseID
}

// aroundRise is how far outside its rise an event of it may lie: the oven comes after it.
const aroundRise = 2 * 24 * time.Hour

// amend changes an event of a past rise in the history, if it is of one. What was made of
// the rise stays; so do its beginning and end, between which it was measured.
func (a *App) amend(ctx context.Context, name string, riseID, id int64, change func(*bake.Event)) (done bool, err error) {
	if riseID == 0 || id == 0 || a.opt.Store == nil || a.ownRise(name, riseID) {
		return false, nil
	}
	r, err := a.opt.Store.Rise(ctx, riseID)
	if err != nil {
		return true, err
	}
	e, err := a.opt.Store.Event(ctx, id)
	switch {
	case err != nil:
		return true, err
	case e.RiseID != riseID || r.UnderWay() && !judges(e.Kind) || e.Undone() || !e.Kind.CanUndo():
		return true, bake.Refuse("former", nil)
	case e.Kind.Starts() || e.Ends():
		return true, bake.Refuse("past_ends", nil)
	}
	change(&e)
	if judges(e.Kind) {
		return true, errors.Join(a.opt.Store.UpdateEvents(ctx, e), a.keepJudgement(ctx, riseID))
	}
	if e.At.Before(r.StartedAt.Add(-aroundRise)) || e.At.After(r.EndedAt.Add(aroundRise)) {
		return true, bake.Refuse("outside_rise", text.Values{"at": a.words.At(a.opt.Clock.Now()).Moment(e.At)})
	}
	return true, a.opt.Store.UpdateEvents(ctx, e)
}

// RemoveRise takes a past rise out of the history, with all that belongs to it and what
// it taught.
func (a *App) RemoveRise(ctx context.Context, id int64) error {
	if a.opt.Store == nil {
		return bake.Refuse("no_history", nil)
	}
	r, err := a.opt.Store.Rise(ctx, id)
	if err != nil {
		return err
	}
	if r.UnderWay() || a.ownRise(r.Vessel, id) {
		return bake.Refuse("still_watched", text.Values{"vessel": r.Vessel})
	}
	defer a.updates.notify()
	v := a.vessels[r.Vessel]
	if v == nil {
		return a.opt.Store.DeleteRise(ctx, id)
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.session.Forget(id)
	if err := a.opt.Store.DeleteRise(ctx, id); err != nil {
		return err
	}
	a.forget(ctx, v, id)
	return nil
}

// judge keeps a note or a judgement of a rise.
func (a *App) judge(ctx context.Context, e bake.Event) error {
	if a.opt.Store == nil {
		return bake.Refuse("no_history", nil)
	}
	v := a.vessels[e.Vessel] // none for a vessel of former times
	if v != nil {
		v.mu.Lock()
		defer v.mu.Unlock()
		if e.RiseID == 0 {
			e.RiseID = alarmRise(v.state)
		}
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

// because is bake.Refuse with the reason that an error gives.
func because(key string, err error) bake.Refusal { return bake.Refuse(key, text.Values{"reason": err}) }

// DueSteps returns the steps that have been due since before and wait for a person:
// those that need hands, and rises that only a person can judge over.
func (a *App) DueSteps(vessel string, before time.Time) []bake.Step {
	v, err := a.vessel(vessel)
	if err != nil {
		return nil
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	var out []bake.Step
	for _, s := range v.state.Steps {
		if (s.Hands || s.Trigger == bake.ByRise) && s.State == bake.DueNow && s.At.Before(before) {
			out = append(out, s)
		}
	}
	return out
}
