package web

import (
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"strings"
)

// group is one form with its fields.
type group struct {
	ID, Title, Text string
	Button, Change  string // the fold's name
	Fields          []formField
	Remove          string // path of what can be taken out; empty for nothing
	Measure         string // the vessel that can be measured
	Open            bool   // shown unfolded
	Note            string // when what is saved counts
	Errors          []string
}

// When saved values count.
const (
	byRestart      = "Saving begins the watch anew, a few seconds; a rise under way goes on."
	byRestartOrNot = "Mark, time of warning, floor and shape count at once. Another name, content or sensor begins the watch anew, a few seconds; a rise under way goes on."
)

// formField is one value in a form.
type formField struct {
	Path, Label, Kind, Value, Hint, Error string
	Options                               []option
	Required                              bool
	Shapes                                string // for which it is asked; empty for always
}

// option is one choice of a field.
type option struct {
	Value, Label string
	Chosen       bool
}

// forms builds the forms of the settings.
type forms struct {
	sheet Sheet
	found []Found
	errs  FieldErrors
	typed url.Values // what was sent and refused; nil when nothing was
	used  map[string]bool
}

// all returns the forms for what there is and those that add something.
func (f *forms) all(r *http.Request) (have, add []group) {
	have = append(have, f.household(), f.address(r))
	for i, v := range f.sheet.Vessels {
		have = append(have, f.vessel(fmt.Sprintf("vessels[%d]", i), v))
	}
	add = append(add, f.newVessel())
	add = append(add, f.newChannels()...)
	for _, list := range [][]group{have, add} {
		for i := range list {
			f.place(&list[i])
		}
	}
	return have, add
}

// place puts the errors beside their fields, and others of the form above them.
func (f *forms) place(g *group) {
	typed := false
	for _, x := range g.Fields {
		typed = typed || f.typed.Has(x.Path) && x.Kind != "hidden"
	}
	mine := typed && f.sends(g)
	for i, x := range g.Fields {
		if mine {
			if x.Kind != "hidden" && x.Kind != "password" {
				g.Fields[i].Value = f.typed.Get(x.Path)
			}
			if msg, wrong := f.errs[x.Path]; wrong && !f.used[x.Path] {
				g.Fields[i].Error, f.used[x.Path] = msg, true
			}
		}
		for j, o := range x.Options {
			g.Fields[i].Options[j].Chosen = o.Value == g.Fields[i].Value
		}
	}
	if !mine {
		return
	}
	g.Open = true
	for path, msg := range f.errs {
		if path != "" && !f.used[path] && g.ID != "" && strings.HasPrefix(path, g.ID) {
			g.Errors = append(g.Errors, msg)
			f.used[path] = true
		}
	}
}

// sends reports whether the refused form was this one: forms of new channels differ
// in their kind alone.
func (f *forms) sends(g *group) bool {
	for _, x := range g.Fields {
		if x.Kind == "hidden" && f.typed.Get(x.Path) != x.Value {
			return false
		}
	}
	return true
}

// field is a field with its present value.
func (f *forms) field(path, label, kind, hint string, options ...option) formField {
	return formField{Path: path, Label: label, Kind: kind, Hint: hint, Options: options, Value: f.sheet.Values[path]}
}

func (f *forms) household() group {
	language := f.field("household.language", "Language", "select", "of messages", option{Value: "", Label: "English"}, option{Value: "de", Label: "Deutsch"})
	if language.Value == "en" {
		language.Value = ""
	}
	clock := f.field("household.clock", "Clock", "select", "", option{Value: "24h", Label: "24 hours, 17:40"}, option{Value: "12h", Label: "12 hours, 5:40 pm"})
	degrees := f.field("household.temperature", "Temperature", "select", "", option{Value: "celsius", Label: "°C"}, option{Value: "fahrenheit", Label: "°F"})
	for _, x := range []*formField{&clock, &degrees} {
		if x.Value == "" {
			x.Value = x.Options[0].Value
		}
	}
	return group{ID: "household", Title: "Household", Button: "Save", Change: "Language, clock, degrees, hours of sleep", Note: byRestart, Fields: []formField{language, clock, degrees,
		f.field("household.time_zone", "Time zone", "text", "such as Europe/Berlin; empty: the machine's own"),
		f.field("household.quiet_from", "Asleep from", "time", "only urgent messages come then"),
		f.field("household.quiet_until", "until", "time", ""),
		f.field("household.altitude_m", "Height above the sea, m", "number", "water boils lower up high"),
	}}
}

func (f *forms) address(r *http.Request) group {
	x := f.field("web.base_url", "Address for buttons in messages", "text", "messages carry buttons to answer a warning when they know the way here")
	if x.Value == "" && len(f.sheet.Addresses) > 0 {
		x.Hint += "; here it would be " + f.sheet.Addresses[0]
	}
	return group{ID: "web", Title: "Address", Button: "Save", Change: "The address that messages name", Note: byRestart, Fields: []formField{x}}
}

// sensorChoices are the sensors of a quantity that can be chosen.
func (f *forms) sensorChoices(quantity, now string, none string) []option {
	out := []option{{Value: "", Label: none}}
	there := now == ""
	for _, x := range f.found {
		if x.Flow != "" && x.Quantity == quantity {
			there = there || x.Flow == now
			label := x.What
			if x.Value != "" {
				label += ", reads " + x.Value
			}
			out = append(out, option{Value: x.Flow, Label: label})
		}
	}
	if !there {
		out = append(out, option{Value: now, Label: now + " (not found now)"})
	}
	return out
}

// proposed is what a look at the buses proposes first for a role.
func (f *forms) proposed(role string) string {
	for _, x := range f.found {
		if x.Role == role && x.UsedBy == "" {
			return x.Flow
		}
	}
	return ""
}

// sensors are the fields of a vessel's sensors.
func (f *forms) sensors(at string) []formField {
	height := f.field(at+".height", "Height sensor", "select", "", f.sensorChoices("distance", f.sheet.Values[at+".height"], "choose one")...)
	dough := f.field(at+".dough", "Probe in the dough", "select", "", f.sensorChoices("temperature", f.sheet.Values[at+".dough"], "none")...)
	air := f.field(at+".air", "Air of the room", "select", "", f.sensorChoices("temperature", f.sheet.Values[at+".air"], "none")...)
	return []formField{height, dough, air}
}

// shapes are the fields of a vessel's inside.
func (f *forms) shapes(at, as string) []formField {
	shape := f.field(at+".profile.shape", "Shape", "select", "inside measures, in mm", option{Value: "", Label: as}, option{Value: "straight", Label: "straight walls, round"},
		option{Value: "tapered_round", Label: "wider at the top, round"}, option{Value: "bowl", Label: "bowl"})
	shape.Value = ""
	out := []formField{shape}
	for _, m := range []struct{ key, label, shapes string }{{"diameter_mm", "Diameter", "straight"},
		{"bottom_diameter_mm", "Diameter at the bottom", "tapered_round"}, {"top_diameter_mm", "Diameter at the top", "tapered_round"},
		{"rim_diameter_mm", "Diameter at the rim", "bowl"}, {"height_mm", "Height", "straight tapered_round"}, {"depth_mm", "Depth", "bowl"}} {
		x := f.field(at+".profile."+m.key, m.label, "number", "")
		x.Value, x.Shapes = "", m.shapes
		out = append(out, x)
	}
	return out
}

func (f *forms) vessel(at string, v SheetVessel) group {
	g := group{ID: at, Title: v.Name, Text: v.Shape, Button: "Save", Remove: at, Measure: v.Name, Note: byRestartOrNot}
	g.Fields = append(g.Fields, f.field(at+".name", "Name", "text", ""), f.holds(at),
		f.field(at+".target_percent", "Ready at, percent of rise", "number", "100 is doubled"),
		f.field(at+".lead", "Warn before, such as 30m", "text", ""),
		f.field(at+".floor_mm", "Sensor to the empty floor, mm", "number", "better measured than typed"))
	g.Fields = append(g.Fields, f.sensors(at)...)
	g.Fields = append(g.Fields, f.shapes(at, "as it is")...)
	return g
}

func (f *forms) holds(at string) formField {
	return f.field(at+".holds", "What is in it", "select", "", option{Value: "dough", Label: "dough"}, option{Value: "starter", Label: "starter"})
}

func (f *forms) newVessel() group {
	const at = "vessels[+]"
	g := group{ID: at, Title: "Add a vessel", Button: "Add this vessel", Note: byRestart, Open: len(f.sheet.Vessels) == 0,
		Text: "Put the empty vessel under its sensor. The distance it reads now is taken for the floor; measuring it properly comes next."}
	name := f.field(at+".name", "Name", "text", "such as jar or tub")
	name.Required = true
	g.Fields = append(g.Fields, name, f.holds(at))
	for _, x := range f.sensors(at) {
		if role := strings.TrimPrefix(x.Path, at+"."); role != "air" {
			x.Value = f.proposed(role)
		}
		g.Fields = append(g.Fields, x)
	}
	g.Fields = append(g.Fields, f.field(at+".floor_mm", "Sensor to the empty floor, mm", "number", "empty: what the sensor reads now"))
	shapes := f.shapes(at, "choose one")
	shapes[0].Value = "straight"
	g.Fields = append(g.Fields, shapes...)
	return g
}

// newChannels are the forms for a new way of messages.
func (f *forms) newChannels() []group {
	const at = "channels[+]."
	form := func(kind, title, text string, fields ...formField) group {
		name := f.field(at+"name", "Name", "text", "small letters, such as phone")
		name.Value, name.Required = map[string]string{"topic": "phone", "mail": "mail", "webhook": "hook", "mqtt": "house"}[kind], true
		return group{ID: at + kind, Title: title, Text: text, Button: "Add it", Note: byRestart,
			Fields: append([]formField{{Path: at + "kind", Kind: "hidden", Value: kind}, name}, fields...)}
	}
	topic := f.field(at+"topic", "Topic", "text", "who knows it can read along: keep this one, which nobody guesses")
	topic.Value = "kitchen-" + strings.ToLower(rand.Text()[:12])
	secret := func(key, label string) formField {
		return f.field(at+key, label, "password", "if it wants one; kept, and never shown again")
	}
	return []group{
		form("topic", "To a phone, by a topic server", "The phone's app listens to the topic; a picture to scan follows.",
			f.field(at+"url", "Server", "text", "such as https://push.example.net"), topic, secret("token", "Access token")),
		form("mail", "By mail", "", f.field(at+"host", "Mail server", "text", "such as mail.example.org"), f.field(at+"port", "Port", "number", "empty: the usual one"),
			f.field(at+"from", "From", "text", ""), f.field(at+"to", "To", "text", "several with commas"), f.field(at+"user", "User", "text", ""), secret("password", "Password")),
		form("mqtt", "To home automation, by MQTT", "", f.field(at+"url", "Broker", "text", "such as mqtt://192.168.1.2:1883"), f.field(at+"user", "User", "text", ""), secret("password", "Password")),
		form("webhook", "To a program of yours, by a webhook", "", f.field(at+"url", "Address", "text", "such as https://hooks.example.net/tidemark"), secret("sign_key", "Key to sign with")),
	}
}
