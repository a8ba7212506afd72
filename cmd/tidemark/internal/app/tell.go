package app

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"tidemark/alert"
	"tidemark/alert/answer"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
	"tidemark/web"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// LocaleOf returns how the texts speak to the household of a configuration.
func LocaleOf(c *config.Config) text.Locale {
	h := c.Household
	return text.Locale{Zone: h.Zone, Language: h.Language, Clock12: h.TwelveHour, Fahrenheit: h.Fahrenheit}
}

// keyLength is the length of the key that signs the buttons, bytes.
const keyLength = 32

// keySetting is where the key of the buttons is kept.
const keySetting = "answer/key"

// newManager builds the way from the rules to the household.
func (a *App) newManager(ctx context.Context, routes []alert.Route) {
	key, err := answerKey(ctx, a.opt.Store.Settings())
	if err != nil {
		a.log.Error("the key of the answer buttons is not kept: those in earlier messages do not work", "error", err)
	}
	a.answers = key
	h, house := a.opt.Config.Household, LocaleOf(a.opt.Config)
	a.manager = alert.NewManager(a.opt.Store, routes, alert.Options{
		Household: house, Quiet: alert.Quiet{From: h.QuietFrom, Until: h.QuietUntil},
		Now: a.opt.Clock.Now, ClockSet: a.clockTrusted, Log: a.log, Address: a.answers.Address(a.opt.Config.Web.BaseURL), Picture: a.picture,
	})
}

// answerKey returns the key of the buttons, made at the first start. With an
// error the key is good until the next start only.
func answerKey(ctx context.Context, s history.Settings) (answer.Key, error) {
	key, err := s.Get(ctx, keySetting)
	if err == nil && len(key) == keyLength {
		return key, nil
	}
	fresh := make([]byte, keyLength)
	rand.Read(fresh) // never fails
	if err != nil && !errors.Is(err, history.ErrNotFound) {
		return fresh, fmt.Errorf("the key of the answer buttons cannot be read: %w", err)
	}
	return fresh, s.Set(ctx, keySetting, fresh)
}

// picture draws the curve of a vessel for a message; nil when another rise is under
// way by now: the text then stands alone.
func (a *App) picture(_ context.Context, vessel string, riseID int64) ([]byte, error) {
	v, err := a.hold(vessel)
	if err != nil {
		return nil, err
	}
	if v.state.RiseID != riseID {
		v.mu.Unlock()
		return nil, nil
	}
	c := a.drawn(v)
	v.mu.Unlock()
	var buf bytes.Buffer
	err = chart.PNG(&buf, c)
	return buf.Bytes(), err
}

// Chart draws the rise under way in a vessel, as a message shows it.
func (a *App) Chart(vessel string) chart.Chart {
	v := a.vessels[vessel]
	v.mu.Lock()
	defer v.mu.Unlock()
	return a.drawn(v)
}

// drawn is the curve of a vessel with its forecast. v.mu is held.
func (a *App) drawn(v *vessel) chart.Chart {
	s := v.state
	return chart.Chart{Locale: a.words, Title: v.config.Name, Samples: past.Samples(v.rows()), Fan: s.Estimate.Fan, Ready: s.Estimate.Ready, Now: s.Estimate.Time,
		Mark: past.Mark(s.Estimate.TargetPercent, a.words), Events: past.Events(past.Record{Journal: s.Events}, a.words), Width: chart.PushWidth, Height: chart.PushHeight}
}

// reportEvery is how often the states are reported without news.
const reportEvery = 10 * time.Second

// report hands the states to the channels that carry states, and counts the
// notifications by state for the metrics.
func (a *App) report(ctx context.Context) {
	a.reportedAt = time.Now()
	for _, r := range a.opt.Routes {
		for _, v := range a.order {
			if state := a.State(v.name); r.Report != nil {
				r.Report(state, a.alarmsOf(state))
			}
		}
	}
	counts, err := a.opt.Store.NotificationCounts(ctx)
	if err != nil {
		a.log.Warn("the notifications cannot be counted", "error", err)
	}
	a.notifications.Store(&counts)
}

// restoreAlarms hands the rules what was raised before the restart, so that
// nothing is told twice.
func (a *App) restoreAlarms(ctx context.Context) error {
	alarms, err := a.manager.Alarms(ctx)
	if err != nil {
		return err
	}
	for name, v := range a.vessels {
		var own []alert.Alarm
		for _, al := range alarms {
			if al.Vessel == name || al.Vessel == "" {
				own = append(own, al)
			}
		}
		v.evaluator.Restore(own)
	}
	return nil
}

// TellOnce does once what the live watch does beside, by the App's clock: it tells
// again what nobody has answered and begins the deliveries that are due. It is for
// a watch whose clock does not run as the machine's does.
func (a *App) TellOnce(ctx context.Context) error { return a.manager.Round(ctx) }

// Telling returns how many deliveries have begun and not ended.
func (a *App) Telling() int {
	underWay, _ := a.manager.Deliveries()
	return underWay
}

// tell hands changes to the manager and logs them.
func (a *App) tell(ctx context.Context, changes []alert.Change) {
	if len(changes) == 0 {
		return
	}
	for _, c := range changes {
		a.log.Log(ctx, levelOf(c.What), c.Alarm.Text, "alarm", string(c.Alarm.Kind), "what", string(c.What), "vessel", c.Alarm.Vessel, "rise", c.Alarm.RiseID)
	}
	if err := a.manager.Apply(ctx, changes); err != nil {
		a.log.Warn("an alarm is not stored yet", "error", err)
	}
	a.opt.Store.FlushSoon()
}

// levelOf says how loud a change of an alarm is in the log: one that only words
// an open alarm anew is for debugging.
func levelOf(w alert.What) slog.Level {
	switch w {
	case alert.WasRaised, alert.WasEscalated, alert.WasResolved:
		return slog.LevelInfo
	}
	return slog.LevelDebug
}

// Answer acknowledges an alarm, or snoozes it for a span that is not 0.
func (a *App) Answer(ctx context.Context, alarmID, by string, snooze time.Duration) error {
	defer a.updates.notify()
	var err error
	if snooze == 0 {
		_, err = a.manager.Ack(ctx, alarmID, by)
	} else {
		_, err = a.manager.Snooze(ctx, alarmID, by, snooze)
	}
	if errors.Is(err, alert.ErrUnknownAlarm) {
		return bake.Refuse("not_open", nil)
	}
	return err
}

// pressed takes the answer of a button in a message: to an alarm, or what a person says
// was done about it. One to a test message is kept for the page.
func (a *App) pressed(ctx context.Context, verb, id string) error {
	if a.setup.answered(id) {
		return nil
	}
	defer a.updates.notify()
	const by = "push"
	var err error
	switch verb {
	case alert.AnswerAck:
		_, err = a.manager.Ack(ctx, id, by)
	case alert.AnswerSnooze:
		_, err = a.manager.Snooze(ctx, id, by, 0)
	default:
		var told alert.Alarm
		if told, err = a.manager.Open(ctx, id); err != nil || told.State == alert.Acknowledged {
			return err // a second press says the same
		}
		if err = a.Do(ctx, bake.Event{Vessel: told.Vessel, RiseID: told.RiseID, Kind: bake.EventKind(verb), By: by}); err == nil {
			_, err = a.manager.Ack(ctx, id, by)
		}
		if no := (web.Refusal{}); errors.As(err, &no) || errors.As(err, &bake.Refusal{}) {
			a.log.Info("a button of a message came too late", "alarm", id, "reason", err)
			err = alert.ErrUnknownAlarm
		}
	}
	return err
}

// alarmsOf returns the open alarms of a vessel and those resolved of its rise. Those of
// the machine are shown with the first vessel.
func (a *App) alarmsOf(s bake.State) (out []alert.Alarm) {
	all, err := a.manager.Alarms(context.Background())
	if err != nil {
		a.log.Warn("the alarms cannot be read", "error", err)
	}
	for _, al := range all {
		if al.Vessel == "" {
			al.Vessel = a.order[0].name
		}
		if al.Vessel == s.Vessel && (al.State != alert.Resolved || al.RiseID == s.RiseID) {
			out = append(out, al)
		}
	}
	return out
}
