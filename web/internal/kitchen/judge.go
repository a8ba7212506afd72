package kitchen

import (
	"context"
	"errors"

	"tidemark/bake"
	"tidemark/history"
	"tidemark/web"
)

// KeepIn lets judgements of past rises be kept in a store.
func (k *Kitchen) KeepIn(s *history.Store) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.past = s
}

// judge keeps a judgement or takes one back, as the wiring does. The lock is held.
func (k *Kitchen) judge(a web.Act) (done bool, err error) {
	ctx := context.Background()
	if k.past == nil {
		return false, nil
	}
	r, err := k.past.Rise(ctx, a.RiseID)
	if err != nil || r.Vessel != a.Vessel {
		return false, nil //nolint:nilerr // an act on what is watched
	}
	switch a.Kind {
	case web.ActJudgement:
		if err := k.past.JudgeRise(ctx, r.ID, a.Judgement); err != nil {
			return true, err
		}
		_, err = k.past.AddEvent(ctx, bake.Event{RiseID: r.ID, At: k.now, Kind: bake.EventKind(a.Kind), By: a.By, Detail: bake.Detail{Outcome: r.Outcome, OvenSpring: r.OvenSpring, Note: r.Note}})
		return true, err
	case web.ActUndo:
		h, err := k.past.Event(ctx, a.UndoID)
		if err != nil {
			return false, nil //nolint:nilerr // an act on what is watched
		}
		former := history.Judgement{Outcome: h.Outcome, OvenSpring: h.OvenSpring, Note: h.Note}
		h.UndoneAt = k.now
		return true, errors.Join(k.past.UpdateEvents(ctx, h), k.past.JudgeRise(ctx, r.ID, former))
	}
	return false, nil
}
