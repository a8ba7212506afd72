package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"tidemark/alert"
	"tidemark/estimator"
	"tidemark/history"
)

// riseFor is how long an invented rise lasts: four in a day.
const riseFor = 6 * time.Hour

// writesDay is a day of writes under way. Each rise is begun with its steps, what was
// learnt of the sensor and an act; it changes once an hour, is folded twice, warns
// twice on two channels, and at its end teaches something. A row comes every ten
// seconds, a forecast every ten minutes.
type writesDay struct {
	child
	s     *history.Store
	begin time.Time
	rises []history.Rise
}

// second plays the writes of one moment.
func (d *writesDay) second(ctx context.Context, at time.Duration) error {
	now := d.begin.Add(at)
	for i := range d.rises {
		r := &d.rises[i]
		age := (at + time.Duration(i)*7*time.Minute) % riseFor // not all at once
		if r.ID == 0 || age < 10*time.Second {
			if err := d.begins(ctx, i, now); err != nil {
				return err
			}
		}
		if err := d.happens(ctx, *r, age, now); err != nil {
			return err
		}
		h := age.Hours()
		pct := 120/(1+math.Exp(4-h)) + math.Sin(float64(now.Unix())*1.7)/4
		if err := d.s.AppendRow(r.ID, history.Row{Time: now, DistanceMM: 180 - 9*h + math.Sin(float64(now.Unix()))/3, DoughC: doughC(i, now), AirC: 22 + math.Sin(float64(now.Unix())/2000),
			RisePercent: pct, RiseSD: 0.4, EquivHours: h * 1.05}); err != nil {
			return err
		}
	}
	return nil
}

// begins ends a rise and begins the next.
func (d *writesDay) begins(ctx context.Context, i int, now time.Time) error {
	r := d.rises[i]
	if r.ID != 0 {
		r.EndedAt = now
		if err := errors.Join(d.s.EndRise(ctx, r),
			d.learns(ctx, fmt.Sprintf("learned/%s/%d", r.Vessel, r.ID), 12)); err != nil {
			return err
		}
	}
	r = history.Rise{Vessel: name(i), Holds: estimator.Dough, StartedAt: now, TargetPercent: 100}
	var err error
	if r.ID, err = d.s.BeginRise(ctx, r); err != nil {
		return err
	}
	d.rises[i] = r
	return errors.Join(d.learns(ctx, "sensor/"+r.Vessel, 4), d.acts(ctx, r, "start", now))
}

// learns keeps so many numbers, as what a sensor or a rise taught.
func (d *writesDay) learns(ctx context.Context, key string, numbers int) error {
	values := make(map[string]float64, numbers)
	for i := range numbers {
		values[fmt.Sprintf("invented_%02d", i)] = math.Sqrt(float64(2 + i))
	}
	body, err := json.Marshal(values)
	if err != nil {
		return err
	}
	return d.s.Settings().Set(ctx, key, body)
}

// acts notes what somebody did, and the steps of the rise after it.
func (d *writesDay) acts(ctx context.Context, r history.Rise, kind string, now time.Time) error {
	steps := make([]map[string]any, 8)
	for i := range steps {
		steps[i] = map[string]any{"step": fmt.Sprintf("invented-%d", i), "last": kind, "from": now, "until": now.Add(time.Hour)}
	}
	body, err := json.Marshal(steps)
	if err != nil {
		return err
	}
	_, err = d.s.KeepDeed(ctx, history.Deed{Act: history.Act{RiseID: r.ID, At: now, Kind: kind, By: "invented household"}, Processes: map[int64][]byte{r.ID: body}})
	return err
}

// happens plays what comes at an age of the rise.
func (d *writesDay) happens(ctx context.Context, r history.Rise, age time.Duration, now time.Time) error {
	var err error
	if age%(10*time.Minute) < 10*time.Second {
		err = d.s.AppendForecast(history.ForecastRow{RiseID: r.ID, At: now, RisePercent: 20 * age.Hours(), TargetPercent: 100, ReachChance: 0.9,
			Ready:          estimator.Window{From: now.Add(time.Hour), Median: now.Add(2 * time.Hour), Until: now.Add(3 * time.Hour)},
			CeilingPercent: 120, CeilingLow: 100.5, CeilingHigh: 140.25})
	}
	if age%time.Hour < 10*time.Second {
		r.MaxRate = age.Hours()
		err = errors.Join(err, d.s.UpdateRise(ctx, r))
	}
	switch age.Truncate(10 * time.Second) {
	case 40 * time.Minute, 80 * time.Minute:
		err = errors.Join(err, d.acts(ctx, r, "fold", now))
	case 190 * time.Minute, 250 * time.Minute:
		err = errors.Join(err, d.warns(ctx, r, age, now, alert.Firing))
	case 192 * time.Minute, 252 * time.Minute:
		err = errors.Join(err, d.delivers(ctx, now))
	case 220 * time.Minute, 280 * time.Minute:
		err = errors.Join(err, d.warns(ctx, r, age, now, alert.Resolved))
	}
	return err
}

// warns stores a warning with a letter for each of two channels, or its end.
func (d *writesDay) warns(ctx context.Context, r history.Rise, age time.Duration, now time.Time, state alert.State) error {
	a := warning(r, now)
	a.ID += fmt.Sprintf("-%.0f", age.Truncate(time.Hour).Hours())
	a.State = state
	var letters []alert.Letter
	for _, channel := range []string{"phone", "mail"} {
		if state == alert.Firing {
			letters = append(letters, alert.Letter{ID: a.ID + "-" + channel, AlarmID: a.ID, Channel: channel, State: "waiting",
				Body: []byte(a.Title + "\n" + a.Text), CreatedAt: now, NotBefore: now, ExpiresAt: now.Add(time.Hour)})
		}
	}
	return d.s.SaveAlarm(ctx, a, letters)
}

// delivers notes of all letters that wait that they went out.
func (d *writesDay) delivers(ctx context.Context, now time.Time) error {
	letters, err := d.s.DueLetters(ctx, now, 1000)
	for _, l := range letters {
		l.State, l.SentAt, l.Attempts, l.Answer = "sent", now, 1, "invented: taken"
		err = errors.Join(err, d.s.SaveLetter(ctx, l))
	}
	return err
}
