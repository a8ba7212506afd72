package app

import (
	"context"
	"maps"

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
	_, s.ChannelProblems = a.manager.Deliveries()
	s.SamplesLate = a.samplesLate.Load()
	if b := a.heartbeat.Load(); b != nil {
		s.HeartbeatAt, _ = b.Last()
	}
	a.alarmsMu.Lock()
	defer a.alarmsMu.Unlock()
	s.NotificationsByState = maps.Clone(a.notifications)
	return s
}

// countNotifications copies for the metrics how many notifications are in which state.
func (a *App) countNotifications(ctx context.Context) {
	n, err := a.notificationStore.NotificationCounts(ctx)
	if err != nil {
		a.log.Warn("the notifications cannot be counted", "error", err)
		return
	}
	a.alarmsMu.Lock()
	defer a.alarmsMu.Unlock()
	a.notifications = n
}
