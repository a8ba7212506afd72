package config

import (
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// Problem is one thing wrong in a configuration file.
type Problem struct {
	File      string
	Line, Col int    // 1-based; 0 when the place is not known
	Path      string // e.g. vessels[1].floor_mm; empty for a syntax error
	Msg       string // expected, found, what to do
}

// Error formats the problem as file:line:column: path: message.
func (p Problem) Error() string {
	place := p.File
	if p.Line > 0 {
		place = fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Col)
	}
	if p.Path == "" {
		return place + ": " + p.Msg
	}
	return place + ": " + p.Path + ": " + p.Msg
}

// Problems is every problem found in one file.
type Problems []Problem

// Error lists the problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// collector gathers problems and finds their places in the parsed file.
type collector struct {
	name  string
	file  *ast.File
	found Problems
}

// add records a problem at a path such as vessels[1].floor_mm.
func (c *collector) add(path, format string, args ...any) {
	if len(c.found) >= maxProblems {
		return // finding the place takes its time
	}
	line, col := c.place(path)
	c.addAt(line, col, path, format, args...)
}

// addAt records a problem whose place is known.
func (c *collector) addAt(line, col int, path, format string, args ...any) {
	if len(c.found) < maxProblems {
		c.found = append(c.found, Problem{c.name, line, col, path, fmt.Sprintf(format, args...)})
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
		path = parent(path)
	}
	return 0, 0
}

// position returns where a node starts. A mapping is placed at its first key.
func position(n ast.Node) (line, col int) {
	if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 {
		n = m.Values[0].Key
	}
	if m, ok := n.(*ast.MappingValueNode); ok {
		n = m.Key
	}
	t := n.GetToken()
	if t == nil || t.Position == nil {
		return 0, 0
	}
	return t.Position.Line, t.Position.Column
}

// parent drops the last key or index of a path.
func parent(path string) string {
	i := strings.LastIndexAny(path, ".[")
	if i < 0 {
		return ""
	}
	return path[:i]
}

// addYAML records an error of the YAML library under a path.
func (c *collector) addYAML(path string, err error) {
	var ye yaml.Error
	if !errors.As(err, &ye) {
		c.add(path, "%v", err)
		return
	}
	var line, col int
	if t := ye.GetToken(); t != nil && t.Position != nil {
		line, col = t.Position.Line, t.Position.Column
	}
	c.addAt(line, col, path, "%s", plainly(err, ye.GetMessage()))
}

// plainly says in words of the file what the YAML library says in words of Go.
func plainly(err error, msg string) string {
	var unknown *yaml.UnknownFieldError
	var kind *yaml.TypeError
	var shape *yaml.UnexpectedNodeTypeError
	switch {
	case errors.As(err, &unknown):
		return msg + "; check the spelling against the list of keys in the README"
	case errors.As(err, &kind):
		return fmt.Sprintf("expected %s, found %s; see the list of keys in the README", plainKind(kind.DstType), plainKind(kind.SrcType))
	case errors.As(err, &shape):
		return fmt.Sprintf("expected %s, found %s; see the list of keys in the README", plainWord(shape.Expected.String()), plainWord(shape.Actual.String()))
	}
	return msg
}

// plainKind names a kind of value.
func plainKind(t reflect.Type) string {
	if t.Kind() == reflect.Pointer {
		return plainKind(t.Elem())
	}
	return plainWord(t.Kind().String())
}

// plainWord says what Go or the YAML library calls a kind of value.
func plainWord(kind string) string {
	word := map[string]string{
		"string": "a text", "bool": "true or false", "slice": "a list", "array": "a list", "map": "keys with values", "struct": "keys with values", "interface": "a text",
		"String": "a text", "Literal": "a text", "Bool": "true or false", "Sequence": "a list", "Mapping": "keys with values", "MappingValue": "keys with values", "Null": "nothing",
	}[kind]
	return cmp.Or(word, "a number")
}

// err returns what was found, or nil.
func (c *collector) err() error {
	if len(c.found) == 0 {
		return nil
	}
	return c.found
}
