package web

import (
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web/glance"
	"tidemark/web/past"
)

// fields are the values of a JSON object by their names, which openapi.json describes. See
// bake.Form for how they are written: times in the household's zone, null for what is not
// known.
type fields = map[string]any

// vesselOf is a vessel on the API: what is the case with it in the household's words, where
// it stands as the page says it, the open alarms beside it, and its sensors.
func vesselOf(v Vessel, g glance.Glance, l *text.Localizer) any {
	v.At = v.At.In(l.Locale().Zone)
	alarms, sensors := []fields{}, []fields{}
	for _, a := range v.Alarms {
		alarms = append(alarms, fields{"id": a.ID, "kind": a.Kind, "reason": a.Reason, "state": a.State, "since": a.Since, "title": a.Title, "text": a.Text, "priority": a.Priority})
	}
	for _, x := range v.Sensors {
		sensors = append(sensors, fields{"sensor": x.Sensor, "quantity": x.Quantity, "status": x.Status, "reason": x.Reason, "last_ok": x.LastOK})
	}
	return spoken(fields{"name": v.Vessel, "state": v.State, "alarms": alarms, "sensors": sensors, "answer": answerOf(g), "air_humidity_ratio": past.Unset(v.AirHumidity)}, l.At(v.At))
}

// spoken is a value as the API writes it, with the sentences in words.
func spoken(v any, l *text.Localizer) any {
	return bake.Form(v, l.Locale().Zone, func(s bake.Said) string { return l.Tell(s) })
}

// answerOf is where a vessel stands, in the words of the page.
func answerOf(g glance.Glance) fields {
	out := fields{"status": g.Status, "word": g.Word, "time": strings.TrimSpace(strings.TrimSpace(g.Day+" "+g.Big) + " " + g.Suffix), "away": g.Away,
		"from": "", "until": "", "sentence": g.Sentence, "doubt": g.Doubt, "do": g.Do, "how": g.How, "tap": "", "step_id": "", "calls": g.Calls}
	if g.Strip != nil {
		out["from"], out["until"] = g.Strip.FromText, g.Strip.UntilText
	}
	if g.Main != nil { // the event that tells it was done, and the step it is about
		out["tap"], out["step_id"] = g.Main.Kind, g.Main.Step
	}
	return out
}

func stepsOf(steps []bake.Step) []fields {
	out := []fields{}
	for _, s := range steps {
		out = append(out, fields{"id": s.ID, "name": s.Name, "do": s.Do, "caution": s.Caution, "question": s.Question, "state": s.State, "at": s.At, "from": s.From, "until": s.Until, "why": s.Why})
	}
	return out
}

// stamp is a moment to the millisecond, which is finer than anything known.
func stamp(t time.Time, zone *time.Location) time.Time { return t.Round(time.Millisecond).In(zone) }
