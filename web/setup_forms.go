package web

import (
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"slices"
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

// Mixed reports whether the form is about what is in a vessel, House whether it is about
// the household.
func (g group) Mixed() bool {
	return strings.HasSuffix(g.ID, ".batch") || strings.HasSuffix(g.ID, ".feed")
}
func (g group) House() bool { return !strings.Contains(g.ID, "[") }

// When saved values count.
const (
	byRestart      = "set.restarts"
	byRestartOrNot = "set.restarts.maybe"
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
	words func(key string) string
}

// all returns the forms for what there is and those that add something.
func (f *forms) all(r *http.Request) (have, add []group) {
	have = append(have, f.household(), f.address(r))
	for i, v := range f.sheet.Vessels {
		at := fmt.Sprintf("vessels[%d]", i)
		have = append(have, f.vessel(at, v))
		switch stands := f.sheet.Values[at+".proof_of"] + f.sheet.Values[at+".sample_of"]; {
		case f.sheet.Values[at+".holds"] == "starter":
			have = append(have, f.feeding(at, v))
		case stands == "":
			have = append(have, f.dough(at, v))
		}
	}
	for i, c := range f.sheet.Channels {
		at := fmt.Sprintf("channels[%d]", i)
		have = append(have, group{ID: at, Title: c.Name, Button: "set.save", Change: "set.channel.change", Note: byRestart, Fields: f.channel(at, c.Kind)})
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
	language := f.field("household.language", "set.language", "select", "set.language.hint", option{Value: "", Label: "English"}, option{Value: "de", Label: "Deutsch"})
	if language.Value == "en" {
		language.Value = ""
	}
	clock := f.field("household.clock", "set.clock", "select", "", option{Value: "24h", Label: "set.clock.24"}, option{Value: "12h", Label: "set.clock.12"})
	degrees := f.field("household.temperature", "set.temperature", "select", "", option{Value: "celsius", Label: "°C"}, option{Value: "fahrenheit", Label: "°F"})
	for _, x := range []*formField{&clock, &degrees} {
		if x.Value == "" {
			x.Value = x.Options[0].Value
		}
	}
	return group{ID: "household", Title: "set.household", Button: "set.save", Change: "set.household.change", Note: byRestart, Fields: []formField{language, clock, degrees,
		f.field("household.time_zone", "set.zone", "text", "set.zone.hint"),
		f.field("household.quiet_from", "set.quiet.from", "time", "set.quiet.hint"),
		f.field("household.quiet_until", "set.quiet.until", "time", ""),
		f.field("household.altitude_m", "set.altitude", "number", "set.altitude.hint"),
	}}
}

func (f *forms) address(r *http.Request) group {
	x := f.field("web.base_url", "set.base", "text", "set.base.hint")
	if x.Value == "" && len(f.sheet.Addresses) > 0 {
		x.Hint = f.words("page."+x.Hint) + ": " + f.sheet.Addresses[0]
	}
	return group{ID: "web", Title: "set.address", Button: "set.save", Change: "set.address.change", Note: byRestart, Fields: []formField{x}}
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
				label += ": " + x.Value
			}
			out = append(out, option{Value: x.Flow, Label: label})
		}
	}
	if !there {
		out = append(out, option{Value: now, Label: now + ": " + f.words("page.set.not_found")})
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
	height := f.field(at+".height", "set.height", "select", "", f.sensorChoices("distance", f.sheet.Values[at+".height"], "set.choose")...)
	dough := f.field(at+".dough", "set.dough", "select", "", f.sensorChoices("temperature", f.sheet.Values[at+".dough"], "set.none")...)
	air := f.field(at+".air", "set.air", "select", "", f.sensorChoices("temperature", f.sheet.Values[at+".air"], "set.none")...)
	return []formField{height, dough, air}
}

// shapes are the fields of a vessel's inside.
func (f *forms) shapes(at, as string) []formField {
	shape := f.field(at+".profile.shape", "set.shape", "select", "set.shape.hint", option{Value: "", Label: as}, option{Value: "straight", Label: "set.shape.straight"},
		option{Value: "tapered_round", Label: "set.shape.tapered"}, option{Value: "tapered_rectangle", Label: "set.shape.box"}, option{Value: "bowl", Label: "set.shape.bowl"})
	shape.Value = ""
	out := []formField{shape}
	for _, m := range []struct{ key, label, kind, hint, shapes string }{{"diameter_mm", "set.diameter", "number", "", "straight"},
		{"bottom_diameter_mm", "set.diameter.bottom", "number", "", "tapered_round"}, {"top_diameter_mm", "set.diameter.top", "number", "", "tapered_round"},
		{"bottom_mm", "set.sides.bottom", "text", "set.sides.hint", "tapered_rectangle"}, {"top_mm", "set.sides.top", "text", "set.sides.hint", "tapered_rectangle"},
		{"rim_diameter_mm", "set.diameter.rim", "number", "", "bowl"}, {"height_mm", "set.inner.height", "number", "", "straight tapered_round tapered_rectangle"},
		{"depth_mm", "set.depth", "number", "", "bowl"}} {
		x := f.field(at+".profile."+m.key, m.label, m.kind, m.hint)
		x.Value, x.Shapes = "", m.shapes
		out = append(out, x)
	}
	return out
}

func (f *forms) vessel(at string, v SheetVessel) group {
	g := group{ID: at, Title: v.Name, Text: v.Shape, Button: "set.save", Remove: at, Measure: v.Name, Note: byRestartOrNot}
	g.Fields = append(g.Fields, f.field(at+".name", "set.name", "text", ""), f.holds(at),
		f.field(at+".target_percent", "set.target", "number", "set.target.hint"),
		f.field(at+".lead", "set.lead", "text", ""),
		f.field(at+".floor_mm", "set.floor", "number", "set.floor.hint"))
	g.Fields = append(g.Fields, f.sensors(at)...)
	if f.sheet.Values[at+".holds"] != "starter" {
		g.Fields = append(g.Fields, f.field(at+".loaf", "set.loaf", "select", "set.loaf.hint", f.sensorChoices("temperature", f.sheet.Values[at+".loaf"], "set.none")...))
		g.Fields = append(g.Fields, f.standsFor(at)...)
	}
	g.Fields = append(g.Fields, f.shapes(at, "set.as_is")...)
	return g
}

func (f *forms) holds(at string) formField {
	return f.field(at+".holds", "set.holds", "select", "", option{Value: "dough", Label: "set.holds.dough"}, option{Value: "starter", Label: "set.holds.starter"})
}

func (f *forms) newVessel() group {
	const at = "vessels[+]"
	g := group{ID: at, Title: "set.add.vessel", Button: "set.add.vessel.button", Note: byRestart, Open: len(f.sheet.Vessels) == 0,
		Text: "set.add.vessel.text"}
	name := f.field(at+".name", "set.name", "text", "set.name.hint")
	name.Required = true
	g.Fields = append(g.Fields, name, f.holds(at))
	for _, x := range f.sensors(at) {
		if role := strings.TrimPrefix(x.Path, at+"."); role != "air" {
			x.Value = f.proposed(role)
		}
		g.Fields = append(g.Fields, x)
	}
	g.Fields = append(g.Fields, f.field(at+".floor_mm", "set.floor", "number", "set.floor.now"))
	shapes := f.shapes(at, "set.choose")
	shapes[0].Value = "straight"
	g.Fields = append(g.Fields, shapes...)
	return g
}

// channel are the fields of a way of messages of a kind. What is secret in one that is
// there is not shown, and stays where it is left empty.
func (f *forms) channel(at, kind string) []formField {
	field := func(key, label, form, hint string) formField {
		if form == "secret" && at != newChannel {
			hint = "set.secret.keep"
		}
		if form == "secret" && (key == "url" || key == "topic") { // not so secret that it could not be seen while it is typed
			form = "text"
		}
		return f.field(at+"."+key, label, strings.Replace(form, "secret", "password", 1), hint)
	}
	name := field("name", "set.name", "text", "set.channel.name.hint")
	name.Required = true
	switch kind {
	case "topic":
		return []formField{name, field("url", "set.server", "secret", "set.server.hint"), field("topic", "set.topic", "secret", "set.topic.hint"), field("token", "set.token", "secret", "set.secret.hint")}
	case "mail":
		return []formField{name, field("host", "set.mail.host", "text", "set.mail.host.hint"), field("port", "set.port", "number", "set.port.hint"), field("from", "set.from", "text", ""),
			field("to", "set.to", "text", "set.to.hint"), field("user", "set.user", "text", ""), field("password", "set.password", "secret", "set.secret.hint")}
	case "mqtt":
		return []formField{name, field("url", "set.broker", "secret", "set.broker.hint"), field("user", "set.user", "text", ""), field("password", "set.password", "secret", "set.secret.hint")}
	}
	return []formField{name, field("url", "set.address", "secret", "set.hook.hint"), field("sign_key", "set.hook.key", "secret", "set.secret.hint")}
}

// newChannel is the entry of a way of messages that is being added.
const newChannel = "channels[+]"

// newChannels are the forms for a new way of messages.
func (f *forms) newChannels() []group {
	form := func(kind, title, text, name string) group {
		fields := f.channel(newChannel, kind)
		fields[0].Value = name
		if kind == "topic" {
			fields[2].Value = "kitchen-" + strings.ToLower(rand.Text()[:12])
		}
		if base := f.field("web.base_url", "set.base", "text", "set.base.hint"); base.Value == "" && len(f.sheet.Addresses) > 0 && kind != "mqtt" {
			base.Value = f.sheet.Addresses[0] // saved with the first way for messages
			fields = append(fields, base)
		}
		return group{ID: newChannel + "." + kind, Title: title, Text: text, Button: "set.add.channel", Note: byRestart,
			Fields: append([]formField{{Path: newChannel + ".kind", Kind: "hidden", Value: kind}}, fields...)}
	}
	return []group{form("topic", "set.phone", "set.phone.text", "phone"), form("mail", "set.mail", "", "mail"),
		form("mqtt", "set.mqtt", "", "house"), form("webhook", "set.hook", "", "hook")}
}

// dough is what is mixed in a vessel.
func (f *forms) dough(at string, v SheetVessel) group {
	g := group{ID: at + ".batch", Title: v.Name, Change: "set.batch", Text: "set.batch.text", Button: "set.save", Note: byRestart}
	for _, x := range []struct{ key, label, kind, hint string }{{"name", "set.name", "text", "set.batch.name.hint"}, {"flours", "set.batch.flours", "text", "set.batch.flours.hint"},
		{"water_g", "set.batch.water", "number", ""}, {"levain.grams", "set.batch.levain", "number", ""}, {"levain.hydration_percent", "set.batch.levain.water", "number", "set.batch.levain.hint"},
		{"salt_g", "set.batch.salt", "number", ""}, {"inclusions", "set.batch.more", "text", "set.batch.more.hint"}, {"loaves", "set.batch.loaves", "number", ""}} {
		g.Fields = append(g.Fields, f.field(g.ID+"."+x.key, x.label, x.kind, x.hint))
	}
	ware := f.field(g.ID+".bake_in", "set.batch.ware", "select", "", option{Value: "", Label: "set.batch.ware.usual"}, option{Value: "pot", Label: "set.batch.ware.pot"},
		option{Value: "tin", Label: "set.batch.ware.tin"}, option{Value: "stone", Label: "set.batch.ware.stone"}, option{Value: "tray", Label: "set.batch.ware.tray"})
	g.Fields = append(g.Fields, ware, f.field(g.ID+".at_once", "set.batch.at_once", "number", "set.batch.at_once.hint"))
	return g
}

// feeding is how the starter in a vessel is usually fed.
func (f *forms) feeding(at string, v SheetVessel) group {
	g := group{ID: at + ".feed", Title: v.Name, Change: "set.feed", Button: "set.save", Note: byRestart}
	g.Fields = []formField{f.field(g.ID+".starter_g", "set.feed.starter", "number", "set.feed.hint"), f.field(g.ID+".flour_g", "set.feed.flour", "number", ""),
		f.field(g.ID+".water_g", "set.feed.water", "number", "")}
	return g
}

// standsFor are the fields of a vessel that stands for the final proof of another's dough.
func (f *forms) standsFor(at string) []formField {
	others := []option{{Value: "", Label: "set.none"}}
	for i, v := range f.sheet.Vessels {
		if o := fmt.Sprintf("vessels[%d]", i); o != at && f.sheet.Values[o+".holds"] != "starter" {
			others = append(others, option{Value: v.Name, Label: v.Name})
		}
	}
	if len(others) == 1 {
		return nil
	}
	return []formField{f.field(at+".proof_of", "set.proof_of", "select", "set.proof_of.hint", others...),
		f.field(at+".sample_of", "set.sample_of", "select", "set.sample_of.hint", slices.Clone(others)...)}
}
