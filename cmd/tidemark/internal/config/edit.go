package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// change is one value to set.
type change struct {
	Path string
	// Value is a text, number, truth, list or yaml.MapSlice; nil takes the key or
	// entry out.
	Value any
}

// edit returns text with the changes made one after the other. It fails when the
// style of the file keeps a change from being made without touching anything else.
func edit(text []byte, changes []change) (out []byte, err error) {
	defer func() {
		if r := recover(); r != nil { // of the YAML library, about a strange file
			out, err = nil, problem("not_understood", "reason", fmt.Sprint(r))
		}
	}()
	for _, c := range changes {
		steps, err := stepsOf(c.Path)
		if err != nil {
			return nil, err
		}
		want, err := decode(text)
		if err != nil {
			return nil, err
		}
		if want, err = setIn(want, steps, plain(c.Value)); err != nil {
			return nil, at(c.Path, err)
		}
		out, err := editOne(text, steps, c.Value)
		if err != nil {
			return nil, at(c.Path, err)
		}
		got, err := decode(out)
		if err != nil || flow(got) != flow(want) {
			return nil, at(c.Path, problem("only_by_person"))
		}
		text = out
	}
	return text, nil
}

// step is one key or index of a path; -1 appends.
type step struct {
	key   string
	index int
}

// pathShape is a path such as vessels[0].profile.shape.
var pathShape = regexp.MustCompile(`^[a-z_]+(\[(\d{1,3}|\+)\])?(\.[a-z_]+(\[(\d{1,3}|\+)\])?)*$`)

// stepsOf takes a path apart.
func stepsOf(path string) ([]step, error) {
	if !pathShape.MatchString(path) {
		return nil, problem("no_place", "found", path)
	}
	var steps []step
	for part := range strings.SplitSeq(path, ".") {
		key, index, listed := strings.Cut(strings.TrimSuffix(part, "]"), "[")
		steps = append(steps, step{key: key})
		if n, err := strconv.Atoi(index); err == nil {
			steps = append(steps, step{index: n})
		} else if listed {
			steps = append(steps, step{index: -1})
		}
	}
	return steps, nil
}

// decode reads a document into maps, whose keys keep their order, and lists.
func decode(text []byte) (v any, err error) {
	if err = yaml.UnmarshalWithOptions(text, &v, yaml.UseOrderedMap()); err != nil {
		return nil, problem("not_yaml", "reason", err.Error())
	}
	return v, nil
}

// plain is a value as decode would give it.
func plain(v any) any {
	if v == nil {
		return nil
	}
	out, _ := decode([]byte("v: " + flow(v))) // what flow writes is YAML
	return out.(yaml.MapSlice)[0].Value
}

// setIn sets a value in maps and lists, in the way it is to stand in the file: a new
// key comes last. nil takes the key or entry out.
func setIn(in any, steps []step, v any) (any, error) {
	if len(steps) == 0 {
		return v, nil
	}
	s := steps[0]
	if s.key == "" {
		list, _ := in.([]any)
		if s.index < 0 {
			s.index = len(list)
			list = append(list[:len(list):len(list)], nil)
		}
		if s.index >= len(list) {
			return nil, problem("only_so_many", "n", len(list))
		}
		if v == nil && len(steps) == 1 {
			return append(list[:s.index:s.index], list[s.index+1:]...), nil
		}
		one, err := setIn(list[s.index], steps[1:], v)
		list[s.index] = one
		return list, err
	}
	m, _ := in.(yaml.MapSlice)
	i := slices.IndexFunc(m, func(item yaml.MapItem) bool { return item.Key == s.key })
	switch {
	case v == nil && len(steps) == 1 && i >= 0:
		return slices.Delete(slices.Clone(m), i, i+1), nil
	case v == nil && len(steps) == 1:
		return m, nil
	case i < 0:
		i, m = len(m), append(m[:len(m):len(m)], yaml.MapItem{Key: s.key})
	}
	one, err := setIn(m[i].Value, steps[1:], v)
	m[i].Value = one
	return m, err
}

// doc is a text with what the parser says about it.
type doc struct {
	lines  [][]byte
	tokens token.Tokens
}

// editOne makes one change in the text.
func editOne(text []byte, steps []step, v any) ([]byte, error) {
	tree, err := parser.ParseBytes(text, 0)
	if err != nil {
		return nil, err
	}
	if n := len(text); n > 0 && text[n-1] != '\n' {
		text = append(text[:n:n], '\n')
	}
	d := &doc{bytes.SplitAfter(text, []byte("\n")), lexer.Tokenize(string(text))}
	var root ast.Node
	if len(tree.Docs) > 0 {
		root = tree.Docs[0].Body
	}
	if root == nil || root.Type() == ast.NullType || root.Type() == ast.CommentType {
		return d.insert(len(d.lines), 0, steps, v), nil
	}
	return d.within(root, nil, steps, v)
}

// within changes what lies under a node; pair is the key it belongs to, nil for the
// root and for an entry of a list.
func (d *doc) within(n ast.Node, pair *ast.MappingValueNode, steps []step, v any) ([]byte, error) {
	if len(steps) == 0 {
		return d.replace(n, pair, v)
	}
	if flowStyle(n) {
		return d.inBraces(n, pair, steps, v)
	}
	switch n := n.(type) {
	case *ast.SequenceNode:
		return d.inList(n, steps, v)
	case *ast.MappingNode, *ast.MappingValueNode:
		return d.inMapping(pairsOf(n), steps, v)
	}
	if pair != nil && n.Type() == ast.NullType {
		at := pair.Key.GetToken().Position
		return d.insert(at.Line, at.Column+1, steps, v), nil
	}
	return nil, problem("single_value", "line", n.GetToken().Position.Line)
}

// inMapping goes on at a key, or adds it behind the last one.
func (d *doc) inMapping(pairs []*ast.MappingValueNode, steps []step, v any) ([]byte, error) {
	for _, p := range pairs {
		if p.Key.GetToken().Value != steps[0].key {
			continue
		}
		if len(steps) == 1 && v == nil {
			return d.cut(p.Key.GetToken().Position.Line, max(lastLine(p.Value), p.Key.GetToken().Position.Line)), nil
		}
		return d.within(p.Value, p, steps[1:], v)
	}
	if v == nil {
		return bytes.Join(d.lines, nil), nil
	}
	last := pairs[len(pairs)-1]
	after := max(lastLine(last.Value), last.Key.GetToken().Position.Line)
	return d.insert(after, pairs[0].Key.GetToken().Position.Column-1, steps, v), nil
}

// inList goes on at an entry, or adds one behind the last.
func (d *doc) inList(n *ast.SequenceNode, steps []step, v any) ([]byte, error) {
	i := steps[0].index
	if i < 0 {
		return d.insert(lastLine(n), n.Start.Position.Column-1, steps, v), nil
	}
	if i >= len(n.Values) {
		return nil, problem("only_so_many", "n", len(n.Values))
	}
	if v == nil && len(steps) == 1 {
		return d.cut(firstLine(n.Values[i]), lastLine(n.Values[i])), nil
	}
	return d.within(n.Values[i], nil, steps[1:], v)
}

// inBraces writes what stands in braces or brackets anew, with its keys in order.
func (d *doc) inBraces(n ast.Node, pair *ast.MappingValueNode, steps []step, v any) ([]byte, error) {
	for _, t := range d.tokens {
		if t.Type == token.CommentType && t.Position.Line >= n.GetToken().Position.Line && t.Position.Line < lastLine(n) {
			return nil, problem("comment_inside", "line", t.Position.Line)
		}
	}
	var old any
	if err := yaml.NodeToValue(n, &old, yaml.UseOrderedMap()); err != nil {
		return nil, err
	}
	fresh, err := setIn(old, steps, v)
	if err != nil {
		return nil, err
	}
	return d.replace(n, pair, fresh)
}

// replace puts a value in the place of a node's; a comment behind it stays.
func (d *doc) replace(n ast.Node, pair *ast.MappingValueNode, v any) ([]byte, error) {
	var first, cutAt int
	sep := " "
	if pair != nil {
		at := pair.Key.GetToken().Position
		line := []rune(string(d.lines[at.Line-1]))
		colon := strings.IndexRune(string(line[at.Column-1:]), ':')
		if colon < 0 {
			return nil, problem("only_by_person")
		}
		first = at.Line
		cutAt = len(string(line[:at.Column-1])) + colon + 1
	} else {
		if !flowStyle(n) {
			return nil, problem("only_by_person")
		}
		at := n.GetToken().Position
		line := []rune(string(d.lines[at.Line-1]))
		first, cutAt, sep = at.Line, len(string(line[:at.Column-1])), ""
	}
	last := max(lastLine(n), first)
	text := flow(v)
	if text == "" {
		sep = ""
	}
	head := string(d.lines[first-1][:cutAt]) + sep + text + d.comment(last) + "\n"
	out := append([][]byte{}, d.lines[:first-1]...)
	out = append(out, []byte(head))
	return bytes.Join(append(out, d.lines[last:]...), nil), nil
}

// comment is the comment at the end of a line with the space before it.
func (d *doc) comment(line int) string {
	for _, t := range d.tokens {
		if t.Type != token.CommentType || t.Position.Line != line {
			continue
		}
		all := string(d.lines[line-1])
		at := len(string([]rune(all)[:t.Position.Column-1]))
		from := len(strings.TrimRight(all[:at], " \t"))
		return strings.TrimRight(all[from:], "\r\n")
	}
	return ""
}

// cut takes lines out, numbered from 1.
func (d *doc) cut(first, last int) []byte {
	return bytes.Join(append(d.lines[:first-1:first-1], d.lines[last:]...), nil)
}

// insert adds a value as lines behind line number after, indented.
func (d *doc) insert(after, indent int, steps []step, v any) []byte {
	if v == nil {
		return bytes.Join(d.lines, nil)
	}
	after = min(after, len(d.lines))
	fresh := []byte(block(strings.Repeat(" ", indent), steps, v))
	out := append([][]byte{}, d.lines[:after]...)
	return bytes.Join(append(append(out, fresh), d.lines[after:]...), nil)
}

// block writes a value under the rest of its path, a key a line.
func block(indent string, steps []step, v any) string {
	if len(steps) == 0 {
		var b strings.Builder
		for _, item := range v.(yaml.MapSlice) {
			fmt.Fprintf(&b, "%s%v: %s\n", indent, item.Key, flow(item.Value))
		}
		return b.String()
	}
	s := steps[0]
	switch m, keys := v.(yaml.MapSlice); {
	case s.key == "" && len(steps) == 1 && keys && len(m) > 0:
		return indent + "- " + strings.TrimPrefix(block(indent+"  ", nil, v), indent+"  ")
	case s.key == "":
		return indent + "- " + strings.TrimPrefix(block(indent+"  ", steps[1:], v), indent+"  ")
	case len(steps) == 1:
		return fmt.Sprintf("%s%s: %s\n", indent, s.key, flow(v))
	}
	return indent + s.key + ":\n" + block(indent+"  ", steps[1:], v)
}

// flow writes a value in one line, and leaves out what is nothing: a key without a value
// means the same as none.
func flow(v any) string {
	var parts []string
	switch v := v.(type) {
	case nil:
		return ""
	case yaml.MapSlice:
		for _, item := range v {
			if text := flow(item.Value); text != "" {
				parts = append(parts, fmt.Sprintf("%v: %s", item.Key, text))
			}
		}
		if len(parts) == 0 {
			return ""
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case string:
		return scalar(v)
	}
	list := reflect.ValueOf(v)
	if list.Kind() != reflect.Slice && list.Kind() != reflect.Array {
		return fmt.Sprint(v)
	}
	for i := range list.Len() {
		parts = append(parts, flow(list.Index(i).Interface()))
	}
	if len(parts) == 0 {
		return ""
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

// bareText needs no quotes wherever it stands, unless it reads as something else.
var bareText = regexp.MustCompile(`^[\p{L}\p{N}_./@-]([\p{L}\p{N}_./@ -]*[\p{L}\p{N}_./@-])?$`)

// scalar writes a text, in quotes where it needs them.
func scalar(s string) string {
	var read any
	if bareText.MatchString(s) && !strings.HasPrefix(s, "-") && yaml.Unmarshal([]byte(s), &read) == nil && read == s {
		return s
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b) // its strings are strings of YAML
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s) // a text always encodes
	return strings.TrimSpace(b.String())
}

// flowStyle reports whether a node stands in braces or brackets.
func flowStyle(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.IsFlowStyle
	case *ast.SequenceNode:
		return n.IsFlowStyle
	}
	return false
}

// pairsOf lists the keys of a mapping.
func pairsOf(n ast.Node) []*ast.MappingValueNode {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}
	}
	return nil
}

// firstLine and lastLine are the lines on which a node begins and ends.
func firstLine(n ast.Node) int {
	if p := pairsOf(n); len(p) > 0 && !flowStyle(n) {
		return p[0].Key.GetToken().Position.Line
	}
	return n.GetToken().Position.Line
}

func lastLine(n ast.Node) int {
	last := 0
	ast.Walk(walker(func(v ast.Node) {
		last = max(last, v.GetToken().Position.Line)
		switch v := v.(type) {
		case *ast.SequenceNode:
			if v.End != nil {
				last = max(last, v.End.Position.Line)
			}
		case *ast.MappingNode:
			if v.End != nil {
				last = max(last, v.End.Position.Line)
			}
		}
	}), n)
	return last
}

// walker calls itself for every node.
type walker func(ast.Node)

// Visit goes on into every node.
func (w walker) Visit(n ast.Node) ast.Visitor {
	w(n)
	return w
}
