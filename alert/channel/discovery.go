package channel

import (
	"encoding/json"
	"strings"

	"tidemark/alert"
	"tidemark/bake"
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
		{key: "rise", platform: "sensor", name: "Rise", unit: "%", measure: "measurement", template: "{{ value_json.state.estimate.rise_percent }}"},
		{key: "rate", platform: "sensor", name: "Rise rate", unit: "%/h", measure: "measurement", template: "{{ value_json.state.estimate.rate_percent_per_hour }}"},
		{key: "ready_at", platform: "sensor", name: "At the mark", class: "timestamp", template: "{{ value_json.state.estimate.ready.median }}"},
		{key: "phase", platform: "sensor", name: "Phase", template: "{{ value_json.state.estimate.phase }}"},
		{key: "dough", platform: "sensor", name: "Dough temperature", unit: "°C", class: "temperature", measure: "measurement", template: "{{ value_json.state.estimate.dough_c }}"},
		{key: "air", platform: "sensor", name: "Air temperature", unit: "°C", class: "temperature", measure: "measurement", template: "{{ value_json.state.estimate.air_c }}"},
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
	if e.measure != "" {
		f["sug_dsp_prc"] = 1
	}
	for key, value := range map[string]string{"unit_of_meas": e.unit, "dev_cla": e.class, "stat_cla": e.measure} {
		if value != "" {
			f[key] = value
		}
	}
	if e.attributes {
		f["json_attr_t"] = c.topic(vesselTopic(vessel), "state")
		f["json_attr_tpl"] = "{{ {'alarms': value_json.alarms} | tojson }}"
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

// stateDocument is the retained state of a vessel, without the forecast's fan, which would
// make it large for what home automation draws.
type stateDocument struct {
	State   bake.State `json:"state"`
	Alarm   string     `json:"alarm"`   // ON while one rings
	Message string     `json:"message"` // the newest one's title
	Alarms  []string   `json:"alarms"`  // the IDs of the open ones
}

// documentOf returns the document of a state.
func documentOf(s State) stateDocument {
	d := stateDocument{State: s.State, Alarm: "OFF", Alarms: []string{}}
	d.State.At, d.State.Estimate.Fan = s.At.UTC(), nil
	for _, a := range s.Alarms {
		if a.State == alert.Firing || a.State == alert.Snoozed {
			d.Alarm, d.Message = "ON", cut(a.Title, 250) // a state holds 255 characters (from memory)
		}
		d.Alarms = append(d.Alarms, a.ID)
	}
	return d
}
