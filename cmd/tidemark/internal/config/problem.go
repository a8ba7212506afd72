package config

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"tidemark/alert/text"
	"tidemark/bake"
)

// Problem is one thing wrong in a configuration, or with a change of it.
type Problem struct {
	File      string    // empty for what was typed and stands in no file yet
	Line, Col int       // 1-based; 0 when the place is not known
	Path      string    // e.g. vessels[1].floor_mm; empty for a syntax error
	Said      bake.Said // expected, found, what to do
	language  string    // of the household; empty for English
}

// Error formats the problem as file:line:column: path: message, in the household's
// language.
func (p Problem) Error() string {
	place := p.File
	if p.Line > 0 {
		place = fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Col)
	}
	out := text.New(text.Locale{Language: p.language}).Tell(p.Said)
	for _, before := range []string{p.Path, place} {
		if before != "" {
			out = before + ": " + out
		}
	}
	return out
}

// Sentence returns the problem as a sentence of the catalogue.
func (p Problem) Sentence() (key string, values map[string]any) { return p.Said.Key, p.Said.Values }

// Problems is every problem found in one file, or in what was typed.
type Problems []Problem

// Error lists the problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Sentence returns the first problem as a sentence of the catalogue.
func (ps Problems) Sentence() (key string, values map[string]any) { return ps[0].Sentence() }

// ByField returns the problems in words, by the path of the field on which a form shows
// each; entries that were being added to the file now have + for their index.
func (ps Problems) ByField(now Sheet, words *text.Localizer) map[string]string {
	added := map[string]string{}
	if now.Config != nil {
		added[fmt.Sprintf("vessels[%d]", len(now.Config.Vessels))] = "vessels[+]"
		added[fmt.Sprintf("channels[%d]", len(now.Config.Channels))] = "channels[+]"
	}
	out := map[string]string{}
	for _, p := range ps {
		path := p.Path
		if at, rest, listed := strings.Cut(path, "]"); listed && added[at+"]"] != "" {
			path = added[at+"]"] + rest
		}
		if p.File != "" && strings.HasSuffix(path, ".profile") {
			path += ".shape"
		}
		msg := words.Tell(p.Said)
		if p.Line > 0 {
			msg += " " + words.Say("config.place", text.Values{"line": p.Line, "column": p.Col})
		}
		out[path] = strings.TrimPrefix(out[path]+"; "+msg, "; ")
	}
	return out
}

// say is a sentence of the catalogue under config, with its values by name. Numbers stand
// in it as in the file.
func say(key string, named ...any) bake.Said {
	values := bake.Values{}
	for i := 0; i+1 < len(named); i += 2 {
		value := named[i+1]
		if x, is := value.(float64); is {
			value = fmt.Sprint(x)
		}
		values[fmt.Sprint(named[i])] = value
	}
	return bake.Said{Key: "config." + key, Values: values}
}

// problem is a Problem whose place is not known yet.
func problem(key string, named ...any) error { return Problem{Said: say(key, named...)} }

// at gives an error the path of what it is about.
func at(path string, err error) Problem {
	p, is := err.(Problem)
	if !is {
		p.Said = say("other", "message", err.Error())
	}
	p.Path = cmp.Or(p.Path, path)
	return p
}

// collector gathers problems and finds their places in the parsed file.
type collector struct {
	name  string
	file  *ast.File
	found Problems
}

// add records a problem at a path such as vessels[1].floor_mm; see say for the rest.
func (c *collector) add(path, key string, named ...any) {
	if len(c.found) >= maxProblems {
		return // finding the place takes its time
	}
	line, col := c.place(path)
	c.addAt(line, col, path, say(key, named...))
}

// want records a problem, as add does, unless something is as it must be, and reports
// whether it is.
func (c *collector) want(ok bool, path, key string, named ...any) bool {
	if !ok {
		c.add(path, key, named...)
	}
	return ok
}

// addAt records a problem whose place is known.
func (c *collector) addAt(line, col int, path string, said bake.Said) {
	if len(c.found) < maxProblems {
		c.found = append(c.found, Problem{c.name, line, col, path, said, c.language()})
	}
}

// place returns the position of the value at path, or of the nearest parent
// that is in the file.
func (c *collector) place(path string) (line, col int) {
	for path != "" {
		if p, err := yaml.PathString("$." + path); err == nil {
			if n, err := p.FilterFile(c.file); err == nil && n != nil {
				return position(n)
			}
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return 0, 0
}

// position returns where a node starts. A mapping is placed at its first key.
func position(n ast.Node) (line, col int) {
	if pairs := pairsOf(n); len(pairs) > 0 {
		n = pairs[0].Key
	}
	return positionOf(n.GetToken())
}

// positionOf returns where a token stands; zeros when that is not known.
func positionOf(t *token.Token) (line, col int) {
	if t == nil || t.Position == nil {
		return 0, 0
	}
	return t.Position.Line, t.Position.Column
}

// addYAML records an error of the YAML library under a path.
func (c *collector) addYAML(path string, err error) {
	var ye yaml.Error
	if !errors.As(err, &ye) {
		c.add(path, "other", "message", err.Error())
		return
	}
	line, col := positionOf(ye.GetToken())
	c.addAt(line, col, path, plainly(err, ye.GetMessage()))
}

// quoted finds what a message quotes.
var quoted = regexp.MustCompile(`"(.*)"`)

// plainly says in words of the file what the YAML library says in words of Go.
func plainly(err error, msg string) bake.Said {
	var unknown *yaml.UnknownFieldError
	var kind *yaml.TypeError
	var shape *yaml.UnexpectedNodeTypeError
	switch {
	case errors.As(err, &unknown) && quoted.MatchString(msg):
		return say("unknown_key", "found", quoted.FindStringSubmatch(msg)[1])
	case errors.As(err, &kind):
		return say("wrong_kind", "want", plainWord(kind.DstType.Kind().String()), "found", plainWord(kind.SrcType.Kind().String()))
	case errors.As(err, &shape):
		return say("wrong_kind", "want", plainWord(shape.Expected.String()), "found", plainWord(shape.Actual.String()))
	}
	return say("other", "message", msg)
}

// plainWord says what Go or the YAML library calls a kind of value.
func plainWord(kind string) bake.Said {
	for key, kinds := range map[string]string{"kind_text": "string literal interface", "kind_switch": "bool", "kind_list": "slice array sequence",
		"kind_keys": "map struct mapping mappingvalue", "kind_nothing": "null"} {
		if slices.Contains(strings.Fields(kinds), strings.ToLower(kind)) {
			return say(key)
		}
	}
	return say("kind_number")
}

// language returns household.language of the file, as far as it is there.
func (c *collector) language() string {
	if p, err := yaml.PathString("$.household.language"); err == nil && c.file != nil {
		if n, err := p.FilterFile(c.file); err == nil && n != nil {
			return n.GetToken().Value
		}
	}
	return ""
}

// err returns what was found, or nil.
func (c *collector) err() error {
	if len(c.found) == 0 {
		return nil
	}
	return c.found
}
