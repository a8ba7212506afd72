package kitchen

import (
	"context"
	"encoding/json"
	"errors"

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
		former, err := json.Marshal(history.Judgement{Outcome: r.Outcome, OvenSpring: r.OvenSpring, Note: r.Note})
		if err != nil {
			return true, err
		}
		if err := k.past.JudgeRise(ctx, r.ID, a.Judgement); err != nil {
			return true, err
		}
		_, err = k.past.AddEvent(ctx, history.Event{RiseID: r.ID, At: k.now, Kind: string(a.Kind), By: a.By, Body: former})
		return true, err
	case web.ActUndo:
		h, err := k.past.Event(ctx, a.UndoID)
		if err != nil {
			return false, nil //nolint:nilerr // an act on what is watched
		}
		var former history.Judgement
		if err := json.Unmarshal(h.Body, &former); err != nil {
			return true, err
		}
		h.UndoneAt = k.now
		return true, errors.Join(k.past.UpdateEvents(ctx, h), k.past.JudgeRise(ctx, r.ID, former))
	}
	return false, nil
}
