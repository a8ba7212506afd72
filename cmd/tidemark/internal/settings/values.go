package settings

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
)

// Value is what a person typed for a path. Empty takes the key out.
type Value struct{ Path, Text string }

// Wrong are messages by the path of what is wrong.
type Wrong map[string]string

// Error lists the messages in the order of their paths.
func (w Wrong) Error() string {
	var lines []string
	for path, msg := range w {
		lines = append(lines, path+": "+msg)
	}
	slices.Sort(lines)
	return strings.Join(lines, "; ")
}

// Changes turns what was typed into changes of the file. Sensors have to be among
// those offered or stand in the file already: from outside nobody names devices,
// brokers or files. The error is a Wrong.
func Changes(now Sheet, typed []Value, offered []string) ([]Change, error) {
	wrong := Wrong{}
	at := map[string]*Change{}
	var order []string
	offered = append(slices.Clone(offered), now.sensors()...)
	values := now.Values()
	for _, v := range typed {
		value, err := read(v, offered)
		if err != nil {
			wrong[v.Path] = err.Error()
			continue
		}
		head, rest := split(v.Path)
		if rest == nil {
			if text, there := values[head]; !listed(head) && (v.Text == text || !there && usual(v)) {
				continue // as it is
			}
			order = append(order, head)
			at[head] = &Change{head, value}
			continue
		}
		if at[head] == nil {
			order = append(order, head)
			at[head] = &Change{head, yaml.MapSlice{}}
		}
		if value != nil {
			at[head].Value = put(at[head].Value.(yaml.MapSlice), rest, value)
		}
	}
	var out []Change
	for _, head := range order {
		if m, ok := at[head].Value.(yaml.MapSlice); ok && strings.HasSuffix(head, ".profile") && !slices.ContainsFunc(m, func(i yaml.MapItem) bool { return i.Key == "shape" }) {
			continue // no shape was chosen: it stays
		}
		sorted(plainPath(head), at[head].Value)
		out = append(out, *at[head])
	}
	if len(wrong) > 0 {
		return nil, wrong
	}
	return out, nil
}

// split parts a path into what is changed whole and the keys within; a profile and a new
// entry are changed whole.
func split(path string) (head string, rest []string) {
	if i := strings.Index(path, "[+]."); i >= 0 {
		return path[:i+3], strings.Split(path[i+4:], ".")
	}
	if i := strings.Index(path, ".profile."); i >= 0 {
		return path[:i+8], []string{path[i+9:]}
	}
	return path, nil
}

// listed reports whether a path is an entry of a list.
func listed(path string) bool { return strings.HasSuffix(path, "]") }

// usual reports whether a text says what holds without the key too.
func usual(v Value) bool {
	i := find(plainPath(v.Path))
	return i >= 0 && v.Text != "" && keys()[i].usual == v.Text
}

// put sets a key within, in the order in which keys come.
func put(m yaml.MapSlice, keys []string, value any) yaml.MapSlice {
	for i, item := range m {
		if item.Key == keys[0] && len(keys) > 1 {
			m[i].Value = put(item.Value.(yaml.MapSlice), keys[1:], value)
			return m
		}
	}
	if len(keys) > 1 {
		value = put(nil, keys[1:], value)
	}
	return append(m, yaml.MapItem{Key: keys[0], Value: value})
}

// read turns what was typed into a value; nil when it is empty.
func read(v Value, offered []string) (any, error) {
	typed := strings.TrimSpace(v.Text)
	switch {
	case typed == "":
		return nil, nil
	case strings.ContainsFunc(typed, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return nil, errors.New("there are signs in it that cannot be typed; type it anew")
	}
	i := find(plainPath(v.Path))
	if i < 0 {
		return typed, nil // Permitted tells
	}
	switch keys()[i].form {
	case lengths:
		one, other, two := strings.Cut(strings.ReplaceAll(strings.ToLower(typed), "×", "x"), "x")
		a, errA := number(one)
		b, errB := number(other)
		if !two || errA != nil || errB != nil {
			return nil, fmt.Errorf("%q are not two lengths; write them like 200 x 140", typed)
		}
		return []float64{a, b}, nil
	case decimal:
		return number(typed)
	case names:
		var list []string
		for one := range strings.SplitSeq(typed, ",") {
			list = append(list, strings.TrimSpace(one))
		}
		return list, nil
	case source:
		var m yaml.MapSlice
		if !slices.Contains(offered, typed) || yaml.UnmarshalWithOptions([]byte(typed), &m, yaml.UseOrderedMap()) != nil {
			return nil, errors.New("this sensor is not found now; look at its wires, then choose it again")
		}
		return m, nil
	}
	return typed, nil
}

// number reads a number, with a comma for the point too.
func number(text string) (float64, error) {
	n, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err != nil || n-n != 0 {
		return 0, fmt.Errorf("%q is not a number; write it like 240 or 85.5", text)
	}
	return n, nil
}

// sensors lists the sensors that stand in the file, each in one line.
func (s Sheet) sensors() []string {
	var out []string
	if s.Config != nil {
		for _, v := range s.Config.Vessels {
			for _, x := range v.Sensors() {
				out = append(out, sensor.Flow(x.Config))
			}
		}
	}
	return out
}

// Values are the values of the file by path, as a person would type them: of the
// household, the address and the vessels. There is no secret among them.
func (s Sheet) Values() map[string]string {
	out := map[string]string{}
	all, err := decode(s.Text)
	if err != nil {
		return out
	}
	for _, k := range keys() {
		part, name, _ := strings.Cut(k.path, ".")
		if k.form > decimal || part == "channels" || strings.Contains(name, ".") {
			continue
		}
		if v := valueOf(valueOf(all, part), name); v != nil {
			out[k.path] = typedAs(v)
		}
		list, _ := valueOf(all, part).([]any)
		for i := range list {
			if v := valueOf(list[i], name); v != nil {
				out[fmt.Sprintf("%s[%d].%s", part, i, name)] = typedAs(v)
			}
		}
	}
	if s.Config == nil {
		return out
	}
	for i, v := range s.Config.Vessels {
		for _, x := range v.Sensors() {
			out[fmt.Sprintf("vessels[%d].%s", i, x.Role)] = sensor.Flow(x.Config)
		}
	}
	return out
}

// valueOf returns the value of a key; nil when there is none.
func valueOf(in any, key string) any {
	m, _ := in.(yaml.MapSlice)
	return m.ToMap()[key]
}

// typedAs writes a value of the file as a person would type it.
func typedAs(v any) string {
	if f, ok := v.(float64); ok {
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	return fmt.Sprint(v)
}

// WrongOf turns what the loader says into messages by path; entries that were being
// added have + for their index. Other errors are returned as they are.
func WrongOf(now Sheet, err error) error {
	var ps config.Problems
	if !errors.As(err, &ps) {
		return err
	}
	added := map[string]bool{}
	if now.Config != nil {
		added[fmt.Sprintf("vessels[%d]", len(now.Config.Vessels))] = true
		added[fmt.Sprintf("channels[%d]", len(now.Config.Channels))] = true
	}
	out := Wrong{}
	for _, p := range ps {
		path := p.Path
		entry, rest, _ := strings.Cut(path, "]")
		if added[entry+"]"] {
			path = entry[:strings.Index(entry, "[")] + "[+]" + rest
		}
		path = strings.TrimSuffix(path, ".")
		msg := p.Msg
		if p.Line > 0 {
			msg += fmt.Sprintf(" (line %d, column %d)", p.Line, p.Col)
		}
		if strings.HasSuffix(path, ".profile") {
			path += ".shape"
		}
		out[path] = strings.TrimPrefix(cmp.Or(out[path]+"; "+msg, msg), "; ")
	}
	return out
}
