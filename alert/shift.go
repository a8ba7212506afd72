package alert

import "time"

// Shift moves everything the watch remembers in time by d, for a clock that was
// wrong and has been set now: hold times and alarms stay as they are. The short
// memory of temperatures is begun anew.
func (w *Watch) Shift(d time.Duration) {
	move := func(ts ...*time.Time) {
		for _, t := range ts {
			if !t.IsZero() {
				*t = t.Add(d)
			}
		}
	}
	for vessel, key := range w.rises {
		move(&key.started)
		w.rises[vessel] = key
	}
	for _, s := range w.slots {
		move(&s.since, &s.last, &s.clear, &s.told, &s.drift, &s.alarm.Since, &s.alarm.FiredAt)
	}
	clear(w.heat)
	clear(w.trend)
}
