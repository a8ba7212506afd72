package config

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
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

// lookup returns what stands at a place; nil when nothing does.
func lookup(in any, steps ...step) any {
	for _, s := range steps {
		keys, _ := in.(yaml.MapSlice)
		list, _ := in.([]any)
		switch {
		case s.key != "":
			in = keys.ToMap()[s.key]
		case s.index >= 0 && s.index < len(list):
			in = list[s.index]
		default:
			return nil
		}
	}
	return in
}

// with sets a value at a place in maps and lists, and returns them: a new key comes last,
// and nil takes the key or entry out.
func with(in any, steps []step, v any) (any, error) {
	if len(steps) == 0 {
		return v, nil
	}
	s, takesOut := steps[0], v == nil && len(steps) == 1
	if s.key == "" {
		list, _ := in.([]any)
		if s.index < 0 {
			s.index, list = len(list), append(list, nil)
		}
		switch {
		case s.index >= len(list):
			return nil, problem("only_so_many", "n", len(list))
		case takesOut:
			return slices.Delete(list, s.index, s.index+1), nil
		}
		one, err := with(list[s.index], steps[1:], v)
		list[s.index] = one
		return list, err
	}
	m, keys := in.(yaml.MapSlice)
	i := slices.IndexFunc(m, func(item yaml.MapItem) bool { return item.Key == s.key })
	switch {
	case in != nil && !keys:
		return nil, problem("single_value", "key", s.key)
	case i < 0 && v == nil:
		return in, nil
	case takesOut:
		return slices.Delete(m, i, i+1), nil
	case i < 0:
		i, m = len(m), append(m, yaml.MapItem{Key: s.key})
	}
	one, err := with(m[i].Value, steps[1:], v)
	m[i].Value = one
	return m, err
}

// rewrite returns a text changed so that it holds what want does. Only what differs is
// written anew; comments, order and spacing of the rest stay byte for byte. It fails
// where the style of the file keeps that from being done.
func rewrite(text []byte, want any) (out []byte, err error) {
	defer func() {
		if r := recover(); r != nil { // of the YAML library, about a strange file
			out, err = nil, problem("not_understood", "reason", fmt.Sprint(r))
		}
	}()
	is, err := decode(text)
	if err != nil || flow(is) == flow(want) {
		return text, err
	}
	if n := len(text); n > 0 && text[n-1] != '\n' {
		text = append(text[:n:n], '\n')
	}
	tree, err := parser.ParseBytes(text, 0)
	if err != nil {
		return nil, err
	}
	w := &writer{lines: strings.SplitAfter(string(text), "\n"), tokens: lexer.Tokenize(string(text))}
	if root, is := is.(yaml.MapSlice); is {
		err = w.mapping(tree.Docs[0].Body, root, want.(yaml.MapSlice))
	} else {
		w.insert(len(w.lines), block("", want))
	}
	if err != nil {
		return nil, err
	}
	out = w.text()
	if got, err := decode(out); err != nil || flow(got) != flow(want) {
		return nil, problem("only_by_person")
	}
	return out, nil
}

// writer collects what is written in the place of lines of a text.
type writer struct {
	lines  []string
	tokens token.Tokens
	pieces []piece
}

// piece stands for the lines from one to before another, counted from 0.
type piece struct {
	from, to int
	text     string
}

// text is the text with the pieces in it.
func (w *writer) text() []byte {
	slices.SortStableFunc(w.pieces, func(a, b piece) int { return cmp.Compare(a.from, b.from) })
	var out strings.Builder
	at := 0
	for _, p := range w.pieces {
		out.WriteString(strings.Join(w.lines[at:p.from], "") + p.text)
		at = p.to
	}
	out.WriteString(strings.Join(w.lines[at:], ""))
	return []byte(out.String())
}

// insert puts lines behind line number after.
func (w *writer) insert(after int, text string) {
	w.pieces = append(w.pieces, piece{min(after, len(w.lines)), min(after, len(w.lines)), text})
}

// end is the number of the last line of what begins with a key or dash at a place: lines
// go on with it that stand further in, or with a dash as far in as a key.
func (w *writer) end(at *token.Position) int {
	last := at.Line
	for i := at.Line; i < len(w.lines); i++ {
		text := strings.TrimSpace(w.lines[i])
		in := len(w.lines[i]) - len(strings.TrimLeft(w.lines[i], " "))
		switch {
		case text == "" || text[0] == '#':
		case in >= at.Column || in == at.Column-1 && text[0] == '-' && w.lines[at.Line-1][in] != '-':
			last = i + 1
		default:
			return last
		}
	}
	return last
}

// node writes what differs under a node that belongs to the key or dash at a place.
func (w *writer) node(n ast.Node, at *token.Position, is, want any) error {
	if flow(is) == flow(want) {
		return nil
	}
	keys, isKeys := is.(yaml.MapSlice)
	wantKeys, wantsKeys := want.(yaml.MapSlice)
	list, isList := is.([]any)
	wantList, wantsList := want.([]any)
	if m, block := n.(*ast.MappingNode); block && !m.IsFlowStyle && isKeys && wantsKeys {
		return w.mapping(n, keys, wantKeys)
	}
	if s, block := n.(*ast.SequenceNode); block && !s.IsFlowStyle && isList && wantsList {
		return w.list(s, list, wantList)
	}
	last, line := w.end(at), []rune(w.lines[at.Line-1])
	if is == nil && block("", want) != "" {
		w.insert(last, block(strings.Repeat(" ", at.Column+1), want))
		return nil
	}
	head, rest := string(line[:at.Column-1]), string(line[at.Column-1:])
	key, _, found := strings.Cut(rest, ":")
	if rest[0] == '-' {
		head, found = head+"-", true
	} else {
		head += key + ":"
	}
	if !found {
		return problem("only_by_person")
	}
	for i := at.Line; i < last; i++ {
		if w.comment(i) != "" {
			return problem("comment_inside", "line", i)
		}
	}
	w.pieces = append(w.pieces, piece{at.Line - 1, last, strings.TrimRight(head+" "+flow(want), " ") + w.comment(last) + "\n"})
	return nil
}

// mapping goes on at each key, and adds new ones behind the last.
func (w *writer) mapping(n ast.Node, is, want yaml.MapSlice) error {
	had, has := is.ToMap(), want.ToMap()
	var at *token.Position
	pairs := pairsOf(n)
	for _, p := range pairs {
		at = p.Key.GetToken().Position
		key := p.Key.GetToken().Value
		if _, stays := has[key]; !stays {
			w.pieces = append(w.pieces, piece{from: at.Line - 1, to: w.end(at)})
		} else if err := w.node(p.Value, at, had[key], has[key]); err != nil {
			return err
		}
	}
	for _, item := range want {
		if _, there := had[item.Key]; !there {
			w.insert(w.end(at), block(strings.Repeat(" ", at.Column-1), yaml.MapSlice{item}))
		}
	}
	return nil
}

// list goes on at each entry, takes out those that are gone, and adds new ones behind
// the last.
func (w *writer) list(n *ast.SequenceNode, is, want []any) error {
	var at *token.Position
	for i, entry := range n.Entries {
		at = entry.Start.Position
		if gone := len(is)-i > len(want); gone && (len(want) == 0 || flow(is[i]) != flow(want[0])) {
			w.pieces = append(w.pieces, piece{from: at.Line - 1, to: w.end(at)})
			continue
		}
		if err := w.node(entry.Value, at, is[i], want[0]); err != nil {
			return err
		}
		want = want[1:]
	}
	w.insert(w.end(at), block(strings.Repeat(" ", at.Column-1), want))
	return nil
}

// comment is the comment at the end of a line with the space before it.
func (w *writer) comment(line int) string {
	for _, t := range w.tokens {
		if t.Type == token.CommentType && t.Position.Line == line {
			all := []rune(strings.TrimRight(w.lines[line-1], "\r\n"))
			before := string(all[:t.Position.Column-1])
			return before[len(strings.TrimRight(before, " \t")):] + string(all[t.Position.Column-1:])
		}
	}
	return ""
}

// wide is the length of a value from which its keys or entries stand one a line.
const wide = 120

// block writes keys with their values, or the entries of a list, one a line.
func block(indent string, v any) string {
	out := ""
	keys, _ := v.(yaml.MapSlice)
	for _, item := range keys {
		switch text := flow(item.Value); {
		case text == "":
		case (indent == "" || len(text) > wide) && block("", item.Value) != "":
			out += fmt.Sprintf("%s%v:\n%s", indent, item.Key, block(indent+"  ", item.Value))
		default:
			out += fmt.Sprintf("%s%v: %s\n", indent, item.Key, text)
		}
	}
	list, _ := v.([]any)
	for _, entry := range list {
		text := cmp.Or(block(indent+"  ", entry), flow(entry)+"\n")
		out += indent + "- " + strings.TrimLeft(text, " ")
	}
	return out
}

// flow writes a value in one line, and leaves out what is nothing: a key without a value
// means the same as none.
func flow(v any) string {
	var parts []string
	marks := "[]"
	switch v := v.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case string:
		return scalar(v)
	case yaml.MapSlice:
		marks = "{}"
		for _, item := range v {
			if text := flow(item.Value); text != "" {
				parts = append(parts, fmt.Sprintf("%v: %s", item.Key, text))
			}
		}
	case []any:
		for _, one := range v {
			parts = append(parts, flow(one))
		}
	default:
		return fmt.Sprint(v)
	}
	if len(parts) == 0 {
		return ""
	}
	return marks[:1] + strings.Join(parts, ", ") + marks[1:]
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
