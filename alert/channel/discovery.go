package channel

import (
	"encoding/json"
	"math"
	"strings"
	"time"

	"tidemark/alert"
)

// expireAfter is when home automation should stop believing a state, seconds.
const expireAfter = 300

// announcement is one retained discovery message; one without a payload takes an
// earlier one back.
type announcement struct {
	topic   string
	payload []byte
}

// entity is one value of a vessel. The field names are the short forms of the
// home automation's documentation.
type entity struct {
	key, platform, name  string
	unit, class, measure string // unit_of_measurement, device_class, state_class
	template             string
	attributes           bool
}

// entities lists what a vessel shows.
func entities() []entity {
	return []entity{
		{key: "rise", platform: "sensor", name: "Rise", unit: "%", measure: "measurement", template: "{{ value_json.rise_percent }}"},
		{key: "rate", platform: "sensor", name: "Rise rate", unit: "%/h", measure: "measurement", template: "{{ value_json.rate_percent_per_hour }}"},
		{key: "ready_at", platform: "sensor", name: "At the mark", class: "timestamp", template: "{{ value_json.ready_at }}"},
		{key: "phase", platform: "sensor", name: "Phase", template: "{{ value_json.phase }}"},
		{key: "dough", platform: "sensor", name: "Dough temperature", unit: "°C", class: "temperature", measure: "measurement", template: "{{ value_json.dough_celsius }}"},
		{key: "air", platform: "sensor", name: "Air temperature", unit: "°C", class: "temperature", measure: "measurement", template: "{{ value_json.air_celsius }}"},
		{key: "alarm", platform: "binary_sensor", name: "Alarm", class: "problem", template: "{{ value_json.alarm }}", attributes: true},
		{key: "message", platform: "sensor", name: "Message", template: "{{ value_json.message }}"},
	}
}

// vesselTopic is a vessel's name as part of a topic; the machine's own messages
// have none.
func vesselTopic(vessel string) string {
	if vessel == "" {
		return "machine"
	}
	return alert.SafeID(vessel)
}

// announcements announces a vessel in the channel's form. What may lie on the
// broker in the other form is taken back first, so that no entity is there twice
// under one unique id.
func (c *mqttChannel) announcements(s State) []announcement {
	node := alert.SafeID(strings.ReplaceAll(c.base, "/", "_"), s.Vessel)
	about := map[string]any{
		"dev":  map[string]any{"ids": []string{node}, "name": s.Vessel, "mf": "tidemark", "mdl": "vessel", "sw": c.version},
		"o":    map[string]any{"name": "tidemark", "sw": c.version},
		"avty": []map[string]any{{"t": c.topic("availability")}},
	}
	deviceTopic := c.discovery + "/device/" + node + "/config"
	components := map[string]any{}
	var singles, noSingles []announcement
	for _, e := range entities() {
		form := c.form(e, node, s.Vessel)
		topic := c.discovery + "/" + e.platform + "/" + node + "/" + e.key + "/config"
		components[e.key] = with(form, map[string]any{"p": e.platform})
		singles = append(singles, message(topic, with(form, about)))
		noSingles = append(noSingles, announcement{topic: topic})
	}
	if c.single {
		return append([]announcement{{topic: deviceTopic}}, singles...)
	}
	return append(noSingles, message(deviceTopic, with(about, map[string]any{"cmps": components})))
}

// form describes one entity.
func (c *mqttChannel) form(e entity, node, vessel string) map[string]any {
	f := map[string]any{
		"name": e.name, "uniq_id": node + "-" + e.key, "stat_t": c.topic(vesselTopic(vessel), "state"),
		"val_tpl": e.template, "exp_aft": expireAfter,
	}
	for key, value := range map[string]string{"unit_of_meas": e.unit, "dev_cla": e.class, "stat_cla": e.measure} {
		if value != "" {
			f[key] = value
		}
	}
	if e.attributes {
		f["json_attr_t"] = c.topic(vesselTopic(vessel), "state")
	}
	return f
}

// with returns a form with more keys.
func with(form, more map[string]any) map[string]any {
	out := map[string]any{}
	for _, m := range []map[string]any{form, more} {
		for k, v := range m {
			out[k] = v
		}
	}
	return out
}

// message encodes an announcement. The values are strings, numbers and maps of
// them, which always can be encoded.
func message(topic string, v any) announcement {
	payload, err := json.Marshal(v)
	if err != nil {
		payload = nil
	}
	return announcement{topic, payload}
}

// stateDocument is the retained state of a vessel. Unknown values are null.
func stateDocument(s State) map[string]any {
	e := s.Estimate
	doc := map[string]any{
		"time": e.Time.UTC().Format(time.RFC3339), "phase": string(e.Phase), "quality": string(e.Quality),
		"rise_percent": rounded(e.RisePercent, 1), "rise_sd": rounded(e.RiseSD, 1),
		"rate_percent_per_hour": rounded(e.RatePercentPerHour, 1),
		"dough_celsius":         rounded(e.DoughC, 2), "air_celsius": rounded(e.AirC, 2),
		"ready_at": moment(e.Ready.Median), "ready_from": moment(e.Ready.From), "ready_until": moment(e.Ready.Until),
		"alarm": "OFF", "message": "", "alarms": []string{},
	}
	var ids []string
	for _, a := range s.Alarms {
		if a.State == alert.Firing || a.State == alert.Snoozed {
			doc["alarm"], doc["message"] = "ON", cut(a.Title, 250) // a state holds 255 characters (from memory)
		}
		ids = append(ids, a.ID)
	}
	if len(ids) > 0 {
		doc["alarms"] = ids
	}
	return doc
}

// rounded returns a number with so many digits, or nil when it is not finite.
func rounded(x float64, digits int) any {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	f := math.Pow10(digits)
	return math.Round(x*f) / f
}

// moment returns a time, or nil when there is none.
func moment(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UTC().Format(time.RFC3339)
}
