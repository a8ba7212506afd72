package app

import (
	"tidemark/web"
)

// systemForWeb is the state of the service for the page and metrics.
func (a *App) systemForWeb() web.System {
	began, _ := a.span()
	s := web.System{Version: a.opt.Version, StartedAt: began, ClockSet: a.clockTrusted()}
	if a.opt.Store != nil {
		h := a.opt.Store.Health()
		s.StoreProblem, s.Notes = h.Problem, h.Notes
		s.RowsWaiting, s.LastCommit, s.RowsDropped = h.WaitingRows, h.LastCommit, h.DroppedRows
	}
	s.ChannelProblems = a.outbox.Progress().LanesDown
	return s
}
