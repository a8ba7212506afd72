package channel

import (
	"encoding/json"
	"maps"
	"strings"

	"tidemark/alert"
	"tidemark/bake"
)

// expireAfter is when home automation should stop believing a state, seconds.
const expireAfter = 300

// retained is one retained message; one without a payload takes an earlier one back.
type retained struct {
	topic   string
	payload []byte
}

// entity is one value of a vessel: its key, what kind of entity it is, and the rest of
// its discovery in the short forms of the home automation's documentation.
type entity struct {
	key, platform string
	form          map[string]any
}

// entities lists what a vessel shows.
func entities() []entity {
	sensor := func(key, name, value string, more map[string]any) entity {
		f := map[string]any{"name": name, "val_tpl": "{{ value_json." + value + " }}"}
		maps.Copy(f, more)
		return entity{key, "sensor", f}
	}
	number := func(unit string) map[string]any {
		return map[string]any{"unit_of_meas": unit, "stat_cla": "measurement", "sug_dsp_prc": 1}
	}
	celsius := number("°C")
	celsius["dev_cla"] = "temperature"
	return []entity{
		sensor("rise", "Rise", "state.estimate.rise_percent", number("%")),
		sensor("rate", "Rise rate", "state.estimate.rate_percent_per_hour", number("%/h")),
		sensor("ready_at", "At the mark", "state.estimate.ready.median", map[string]any{"dev_cla": "timestamp"}),
		sensor("phase", "Phase", "state.estimate.phase", nil),
		sensor("dough", "Dough temperature", "state.estimate.dough_c", celsius),
		sensor("air", "Air temperature", "state.estimate.air_c", celsius),
		{"alarm", "binary_sensor", map[string]any{"name": "Alarm", "dev_cla": "problem", "val_tpl": "{{ value_json.alarm }}",
			"json_attr_tpl": "{{ {'alarms': value_json.alarms} | tojson }}"}},
		sensor("message", "Message", "message", nil),
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

// publications are what home automation is told of a vessel: its discovery in the
// channel's form, that it is there, and its state. What may lie on the broker in the other
// form is taken back first, so that no entity is there twice under one unique id.
// Availability comes right after discovery, so that a consumer that just learnt the entity
// does not show it as away.
func (c *mqttChannel) publications(s told) []retained {
	var out []retained
	add := func(topic string, v any) {
		payload, err := json.Marshal(v) // strings, numbers, times and maps of them, which always can be encoded
		if err != nil {
			payload = nil
		}
		out = append(out, retained{topic, payload})
	}
	node, state := alert.SafeID(strings.ReplaceAll(c.base, "/", "_"), s.state.Vessel), c.topic(vesselTopic(s.state.Vessel), "state")
	about := map[string]any{
		"dev":  map[string]any{"ids": []string{node}, "name": s.state.Vessel, "mf": "tidemark", "mdl": "vessel", "sw": c.version},
		"o":    map[string]any{"name": "tidemark", "sw": c.version},
		"avty": []map[string]any{{"t": c.topic("availability")}},
	}
	deviceTopic := c.discovery + "/device/" + node + "/config"
	components := map[string]any{}
	if c.discovery != "-" && c.single {
		out = append(out, retained{topic: deviceTopic})
	}
	for _, e := range entities() {
		maps.Copy(e.form, map[string]any{"uniq_id": node + "-" + e.key, "stat_t": state, "exp_aft": expireAfter})
		if e.form["json_attr_tpl"] != nil {
			e.form["json_attr_t"] = state
		}
		topic := c.discovery + "/" + e.platform + "/" + node + "/" + e.key + "/config"
		switch {
		case c.discovery == "-":
		case c.single:
			maps.Copy(e.form, about)
			add(topic, e.form)
		default:
			out = append(out, retained{topic: topic})
			e.form["p"] = e.platform
			components[e.key] = e.form
		}
	}
	if c.discovery != "-" && !c.single {
		about["cmps"] = components
		add(deviceTopic, about)
	}
	out = append(out, retained{c.topic("availability"), []byte(online)})
	add(state, documentOf(s))
	return out
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
func documentOf(s told) stateDocument {
	d := stateDocument{State: s.state, Alarm: "OFF", Alarms: []string{}}
	d.State.At, d.State.Estimate.Fan = s.state.At.UTC(), nil
	for _, a := range s.alarms {
		if a.State == alert.Firing || a.State == alert.Snoozed {
			d.Alarm, d.Message = "ON", cut(a.Title, 250) // a state holds 255 characters (from memory)
		}
		d.Alarms = append(d.Alarms, a.ID)
	}
	return d
}
