package web

import (
	"crypto/rand"
	"fmt"
	"slices"
	"strings"
)

// settingsForm is one form of the settings, which its template fills with fields: they
// have the values of the file or, in the form that was sent and refused, what was typed.
type settingsForm struct {
	settingsPage
	ID         string // of the form
	At         string // the place in the file
	Kind, Name string // of a way for messages
}

// formField is one value in a form.
type formField struct {
	Path, Label, Kind, Value, Hint, Error string
	Options                               []option
	Required                              bool
	Shapes                                string // for which it is asked; empty for always
	typed                                 bool
}

// option is one choice of a field.
type option struct{ Value, Label string }

// Form is the form about a place in the file.
func (p settingsPage) Form(at string) settingsForm {
	return settingsForm{settingsPage: p, ID: at, At: at}
}

// newChannel is the entry of a way for messages that is being added.
const newChannel = "channels[+]"

// Channel is the form of a way for messages.
func (p settingsPage) Channel(at, kind, name string) settingsForm {
	f := settingsForm{settingsPage: p, ID: at, At: at, Kind: kind, Name: name}
	if at == newChannel {
		f.ID += "." + kind
	}
	return f
}

// Sent reports whether this form was sent and refused.
func (f settingsForm) Sent() bool { return f.Typed.Get("form") == f.ID }

// Trouble are the errors of the form that belong to none of its fields.
func (f settingsForm) Trouble() []string {
	var out []string
	for path, msg := range f.Errors {
		if f.Sent() && f.sent(path) && !f.Typed.Has(path) {
			out = append(out, msg)
		}
	}
	slices.Sort(out)
	return out
}

// General are the errors that no form shows, with their places.
func (p settingsPage) General() []string {
	var out []string
	for path, msg := range p.Errors {
		if path != "passphrase" && !p.sent(path) {
			out = append(out, strings.TrimPrefix(path+": "+msg, ": "))
		}
	}
	slices.Sort(out)
	return out
}

// sent reports whether a place belongs to the form that was sent.
func (p settingsPage) sent(path string) bool {
	id := p.Typed.Get("form")
	return id != "" && (p.Typed.Has(path) || strings.HasPrefix(path, id))
}

// Value is what stands in the file under a key.
func (f settingsForm) Value(key string) string { return f.Sheet.Values[f.At+"."+key] }

// Field is a field with its present value.
func (f settingsForm) Field(key, label, kind, hint string) formField {
	return f.field(f.At+"."+key, label, kind, hint, f.Value(key))
}

func (f settingsForm) field(path, label, kind, hint, value string) formField {
	x := formField{Path: path, Label: label, Kind: kind, Hint: hint, Value: value}
	if f.Sent() && f.Typed.Has(path) {
		x.typed, x.Error = true, f.Errors[path]
		if kind != "password" {
			x.Value = f.Typed.Get(path)
		}
	}
	return x
}

// Or gives a field that is empty a value to begin with.
func (x formField) Or(value string) formField {
	if x.Value == "" && !x.typed {
		x.Value = value
	}
	return x
}

// Must is the field as one that cannot be left empty.
func (x formField) Must() formField {
	x.Required = true
	return x
}

// Choice is a field with values to choose from, each with its label.
func (f settingsForm) Choice(key, label, hint string, pairs ...string) formField {
	x := f.Field(key, label, "", hint)
	for i := 0; i+1 < len(pairs); i += 2 {
		x.Options = append(x.Options, option{pairs[i], pairs[i+1]})
	}
	return x
}

// Sensor is the choice among the sensors of a quantity; a new vessel is proposed one.
func (f settingsForm) Sensor(key, label, hint, quantity, none string) formField {
	x := f.Choice(key, label, hint, "", none)
	there := x.Value == ""
	for _, s := range f.Found {
		if s.Flow == "" || s.Quantity != quantity {
			continue
		}
		there = there || s.Flow == x.Value
		x.Options = append(x.Options, option{s.Flow, strings.TrimSuffix(s.What+": "+s.Value, ": ")})
	}
	if !there {
		x.Options = append(x.Options, option{x.Value, x.Value + ": " + f.NotFound})
	}
	for _, s := range f.Found {
		if f.At == "vessels[+]" && key != "air" && s.Role == key && s.UsedBy == "" {
			return x.Or(s.Flow)
		}
	}
	return x
}

// Shape is the choice among the shapes of a vessel. What one has is not chosen again.
func (f settingsForm) Shape() formField {
	as, first := "set.as_is", ""
	if f.At == "vessels[+]" {
		as, first = "set.choose", "straight"
	}
	x := f.Choice("profile.shape", "set.shape", "set.shape.hint", "", as, "straight", "set.shape.straight", "tapered_round", "set.shape.tapered",
		"tapered_rectangle", "set.shape.box", "bowl", "set.shape.bowl")
	return x.fresh().Or(first)
}

// Measure is a measure that some shapes have; one with a hint is more than a number.
func (f settingsForm) Measure(key, label, hint, shapes string) formField {
	x := f.Field("profile."+key, label, map[bool]string{true: "number", false: "text"}[hint == ""], hint).fresh()
	x.Shapes = shapes
	return x
}

// fresh is the field without the value of the file.
func (x formField) fresh() formField {
	if !x.typed {
		x.Value = ""
	}
	return x
}

// Others are the vessels whose dough another one can stand for.
func (f settingsForm) Others() []string {
	var out []string
	for i, v := range f.Sheet.Vessels {
		if at := fmt.Sprintf("vessels[%d]", i); at != f.At && f.Sheet.Values[at+".holds"] != "starter" {
			out = append(out, v.Name, v.Name)
		}
	}
	return out
}

// Stands is the choice of the vessel whose dough this one stands for.
func (f settingsForm) Stands(key, label, hint string) formField {
	return f.Choice(key, label, hint, append([]string{"", "set.none"}, f.Others()...)...)
}

// Secret is a field whose value is not shown, and stays where it is left empty. An
// address is not so secret that it could not be seen while it is typed.
func (f settingsForm) Secret(key, label, hint string) formField {
	kind := "password"
	if key == "url" || key == "topic" {
		kind = "text"
	}
	if f.At != newChannel {
		hint = "set.secret.keep"
	}
	return f.Field(key, label, kind, hint)
}

// Topic is one that nobody guesses, for a way that is being added.
func (f settingsForm) Topic() string {
	if f.At != newChannel {
		return ""
	}
	return "kitchen-" + strings.ToLower(rand.Text()[:12])
}

// Base is the address of this page, which is saved with the first way for messages.
func (f settingsForm) Base() formField {
	const key = "web.base_url"
	x := f.field(key, "set.base", "text", "set.base.hint", f.Sheet.Values[key])
	switch {
	case x.Value != "" || len(f.Sheet.Addresses) == 0:
	case f.At == "web":
		x.Hint = f.BaseHint + ": " + f.Sheet.Addresses[0]
	default:
		return x.Or(f.Sheet.Addresses[0])
	}
	return x
}
