package app

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"unicode/utf8"

	"tidemark/history"
	"tidemark/web"
)

// isJudging reports whether an act says what a person thought of a rise. Such acts
// belong to any rise, also one that ended long ago, and change no watch.
func isJudging(k web.ActKind) bool { return k == web.ActNote || k == web.ActJudgement }

// maxNote bounds the note of a rise, characters.
const maxNote = 4000

// judge keeps a note or a judgement of a rise, so that it can be taken back. A note
// is added to the one that is there; a judgement takes the place of the former.
func (a *App) judge(ctx context.Context, act web.Act) error {
	if a.opt.Store == nil {
		return web.Refuse("no history is kept here")
	}
	p := a.pipes[act.Vessel] // none for a vessel of former times
	if p != nil {
		p.mu.Lock()
		defer p.mu.Unlock()
		if act.RiseID == 0 {
			act.RiseID = p.rise.ID
		}
	}
	if act.RiseID == 0 {
		return web.Refuse("no rise is being watched in %s; say which one is meant", act.Vessel)
	}
	r, err := a.opt.Store.Rise(ctx, act.RiseID)
	if err != nil {
		return err
	}
	former := history.Judgement{Outcome: r.Outcome, OvenSpring: r.OvenSpring, Note: r.Note}
	j := act.Judgement
	if act.Kind == web.ActNote {
		j = former
		j.Note = joined(former.Note, act.Note)
	}
	if utf8.RuneCountInString(j.Note) > maxNote {
		return web.Refuse("the notes of this rise would be longer than %d characters", maxNote)
	}
	if err := a.opt.Store.JudgeRise(ctx, r.ID, j); err != nil {
		return err
	}
	d, err := a.keepJudging(ctx, act, former)
	if err == nil && p != nil && p.rise.ID == r.ID {
		p.deeds = append(p.deeds, d)
	}
	return err
}

// joined is a note with another line.
func joined(note, more string) string {
	if note == "" {
		return more
	}
	return note + "\n" + more
}

// keepJudging writes a note or judgement down with what it replaced.
func (a *App) keepJudging(ctx context.Context, act web.Act, former history.Judgement) (web.Deed, error) {
	body, err := json.Marshal(deedData{Vessel: act.Vessel, Note: act.Note, Outcome: act.Judgement.Outcome, Former: &former})
	if err != nil {
		return web.Deed{}, err
	}
	d := web.Deed{At: act.At, Kind: act.Kind, By: act.By, CanUndo: true, Detail: detail(act)}
	d.ID, err = a.opt.Store.AddAct(ctx, history.Act{RiseID: act.RiseID, At: act.At, Kind: string(act.Kind), By: act.By, Data: body})
	if errors.Is(err, history.ErrMemoryOnly) {
		err = nil
	}
	return d, err
}

// undoJudging takes a note or judgement back, if the act to undo is one. Only the
// last one can be: what an earlier one replaced is long gone.
func (a *App) undoJudging(ctx context.Context, act web.Act) (done bool, err error) {
	if a.opt.Store == nil || act.RiseID == 0 || act.UndoID == 0 {
		return false, nil
	}
	acts, err := a.opt.Store.Acts(ctx, act.RiseID)
	if err != nil {
		return true, err
	}
	open := slices.DeleteFunc(acts, func(h history.Act) bool { return h.Undone || !isJudging(web.ActKind(h.Kind)) })
	i := slices.IndexFunc(open, func(h history.Act) bool { return h.ID == act.UndoID })
	switch {
	case i < 0:
		return false, nil
	case slices.ContainsFunc(open, func(h history.Act) bool { return h.ID > act.UndoID }):
		return true, laterStands()
	}
	return true, a.takeJudgingBack(ctx, open[i])
}

// laterStands refuses to take back what a later note or judgement built on.
func laterStands() error {
	return web.Refuse("a later note or judgement stands; take that back first")
}

// takeJudgingBack puts back what stood before a note or judgement.
func (a *App) takeJudgingBack(ctx context.Context, h history.Act) error {
	var data deedData
	if len(h.Data) > 0 {
		if err := json.Unmarshal(h.Data, &data); err != nil {
			return err
		}
	}
	if err := a.putBack(ctx, h.RiseID, data); err != nil {
		return err
	}
	if _, err := a.opt.Store.UndoAct(ctx, h.ID); err != nil {
		return web.Refuse("%v", err)
	}
	for _, p := range a.pipes {
		p.mu.Lock()
		p.deeds = slices.DeleteFunc(p.deeds, func(d web.Deed) bool { return d.ID == h.ID })
		p.mu.Unlock()
	}
	return nil
}

// putBack writes the judgement that stood before.
func (a *App) putBack(ctx context.Context, rise int64, data deedData) error {
	if data.Former == nil {
		return web.Refuse("what stood before this was not kept, so it cannot be taken back")
	}
	return a.opt.Store.JudgeRise(ctx, rise, *data.Former)
}
