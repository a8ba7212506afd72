package alert

import (
	"time"

	"tidemark/alert/text"
)

// Silent is a thermometer of a vessel that gives no reading now.
type Silent struct {
	Sensor string    // dough or air
	Since  time.Time // of its last good reading; zero when it never gave one
}

// probeAfter is how long a thermometer may give nothing before that is told.
// Common practice, no source: a bad plug shows within minutes, and the level is
// watched meanwhile.
const probeAfter = 15 * time.Minute

// probeLost: a thermometer gives nothing, so that heat and cold cannot be told
// from it. Not while the dough is not seen at all: that is the louder word.
func probeLost(l *look) []finding {
	if !l.watched {
		return nil
	}
	var found []finding
	for _, sensor := range []string{"dough", "air"} {
		f := finding{kind: ProbeLost, sub: sensor, reason: NoReading, ripe: true, unknown: l.open(SensorLost)}
		for _, s := range l.Silent {
			if s.Sensor != sensor {
				continue
			}
			f.on, f.hold, f.since = true, probeAfter, s.Since
			if !s.Since.IsZero() {
				f.hold, f.ripe = 0, l.silentFor(s.Since) >= probeAfter
			}
			f.say = func() words { return sayProbe(l, s) }
		}
		found = append(found, f)
	}
	return found
}

// sayProbe words that a thermometer gives nothing.
func sayProbe(l *look, s Silent) words {
	t := l.t
	v := text.Values{"vessel": l.Vessel, "since": s.Since}
	text := "probe_lost.text." + s.Sensor
	if s.Since.IsZero() {
		text = "probe_lost.never." + s.Sensor
	}
	return words{t.Say("probe_lost.title", v), join(t.Say(text, v), t.Say("probe_lost.do", nil))}
}
