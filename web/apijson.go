package web

import (
	"math"
	"strings"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web/glance"
	"tidemark/web/past"
)

// The types of the API. Times are RFC 3339 in the household's zone, numbers
// that are not known are null.

// vesselJSON is a vessel: what is the case with it, the open alarms beside it, and its
// sensors.
type vesselJSON struct {
	Name        string       `json:"name"`
	State       any          `json:"state"` // a bake.State in the household's words
	Alarms      []alarmJSON  `json:"alarms"`
	Sensors     []sensorJSON `json:"sensors"`
	Answer      answerJSON   `json:"answer"`
	AirHumidity past.Number  `json:"air_humidity_ratio"`
}

// answerJSON is where a vessel stands, in the words of the page.
type answerJSON struct {
	Status   string `json:"status"`
	Word     string `json:"word"` // what happens at the time
	Time     string `json:"time"` // as the household writes it, or a word in its place
	Away     string `json:"away"` // how far that is from now
	From     string `json:"from"` // of its range; empty without one
	Until    string `json:"until"`
	Sentence string `json:"sentence"`
	Doubt    string `json:"doubt"`
	Do       string `json:"do"` // what to do now
	How      string `json:"how"`
	Tap      string `json:"tap"`     // the kind of event that tells it was done; empty when nothing is to be done
	Step     string `json:"step_id"` // the step it is about
	Calls    bool   `json:"calls"`   // it wants a hand
}

// answerOf is a glance on the API.
func answerOf(g glance.Glance) answerJSON {
	a := answerJSON{Status: string(g.Status), Word: g.Word, Time: strings.TrimSpace(strings.TrimSpace(g.Day+" "+g.Big) + " " + g.Suffix), Away: g.Away,
		Sentence: g.Sentence, Doubt: g.Doubt, Do: g.Do, How: g.How, Calls: g.Calls}
	if g.Strip != nil {
		a.From, a.Until = g.Strip.FromText, g.Strip.UntilText
	}
	if g.Main != nil {
		a.Tap, a.Step = string(g.Main.Kind), g.Main.Step
	}
	return a
}

type stepJSON struct {
	ID       string     `json:"id"`
	Name     string     `json:"name"`
	Do       string     `json:"do"`
	Caution  string     `json:"caution"`
	Question string     `json:"question"`
	State    string     `json:"state"`
	At       *time.Time `json:"at"`
	From     *time.Time `json:"from"`
	Until    *time.Time `json:"until"`
	Why      string     `json:"why"`
}

type alarmJSON struct {
	ID       string     `json:"id"`
	Kind     string     `json:"kind"`
	Reason   string     `json:"reason"`
	State    string     `json:"state"`
	Since    *time.Time `json:"since"`
	Title    string     `json:"title"`
	Text     string     `json:"text"`
	Priority int        `json:"priority"`
}

type sensorJSON struct {
	Sensor   string     `json:"sensor"`
	Quantity string     `json:"quantity"`
	Status   string     `json:"status"`
	Reason   string     `json:"reason"`
	LastOK   *time.Time `json:"last_ok"`
}

// vesselOf turns a vessel into its form on the API.
func vesselOf(v Vessel, g glance.Glance, l *text.Localizer) vesselJSON {
	zone := l.Locale().Zone
	v.At = v.At.In(zone)
	speak := func(s bake.Said) string { return l.At(v.At).Tell(s) }
	out := vesselJSON{Name: v.Vessel, State: v.Form(speak), Alarms: alarmsOf(v.Alarms, zone), Sensors: []sensorJSON{},
		Answer: answerOf(g), AirHumidity: past.Number(knownRatio(v.AirHumidity))}
	for _, x := range v.Sensors {
		out.Sensors = append(out.Sensors, sensorJSON{x.Sensor, x.Quantity, x.Status, x.Reason, optional(x.LastOK, zone)})
	}
	return out
}

func stepsOf(steps []bake.Step, zone *time.Location, l *text.Localizer) []stepJSON {
	out := []stepJSON{}
	for _, s := range steps {
		out = append(out, stepJSON{s.ID, l.Tell(s.Name), l.Tell(s.Do), l.Tell(s.Caution...), l.Tell(s.Question), string(s.State), optional(s.At, zone),
			optional(s.From, zone), optional(s.Until, zone), l.Tell(s.Why...)})
	}
	return out
}

func alarmsOf(alarms []alert.Alarm, zone *time.Location) []alarmJSON {
	out := []alarmJSON{}
	for _, a := range alarms {
		out = append(out, alarmJSON{a.ID, string(a.Kind), a.Reason, string(a.State), optional(a.Since, zone), a.Title, a.Text, a.Priority})
	}
	return out
}

// knownRatio is a ratio, or NaN for one that was not measured.
func knownRatio(v float64) float64 {
	if v > 0 {
		return v
	}
	return math.NaN()
}

// optional is a moment or null.
func optional(t time.Time, zone *time.Location) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = stamp(t, zone)
	return &t
}

// stamp is a moment to the millisecond, which is finer than anything known.
func stamp(t time.Time, zone *time.Location) time.Time { return t.Round(time.Millisecond).In(zone) }
