package app

import (
	"context"

	"tidemark/web"
)

// systemForWeb is the state of the service for the page and metrics.
func (a *App) systemForWeb() web.System {
	s := web.System{StartedAt: a.began, ClockSet: true}
	if a.opt.Store != nil {
		h := a.opt.Store.Health()
		s.StoreProblem, s.Notes = h.Problem, h.Notes
		s.RowsWaiting, s.LastCommit, s.RowsDropped = h.WaitingRows, h.LastCommit, h.DroppedRows
	}
	return s
}

// actOnAlarm acknowledges or snoozes.
func (a *App) actOnAlarm(_ context.Context, p *pipe, act web.Act, now any) error { return nil }
