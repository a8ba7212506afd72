package config

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// SetCalibration gives back the text of a configuration with floor_mm of a vessel
// changed, and its profile too if one is given. Everything else, comments
// included, stays as it is. The vessel must be there with both keys.
func SetCalibration(text []byte, vessel string, floorMM float64, profile [][2]float64) ([]byte, error) {
	node, err := vesselNode(text, vessel)
	if err != nil {
		return nil, err
	}
	out := text
	if profile != nil { // it stands behind floor_mm or before it: each is looked up anew
		if out, err = setKey(out, vessel, "profile", flowPoints(profile)); err != nil {
			return nil, err
		}
	}
	if find(node, "floor_mm") == nil {
		return nil, fmt.Errorf("vessel %q has no floor_mm in the file; add the line floor_mm: %g", vessel, floorMM)
	}
	return setKey(out, vessel, "floor_mm", strconv.FormatFloat(floorMM, 'f', -1, 64))
}

// flowPoints writes a profile in one line.
func flowPoints(profile [][2]float64) string {
	var parts []string
	for _, p := range profile {
		parts = append(parts, fmt.Sprintf("[%s, %s]", strconv.FormatFloat(p[0], 'f', -1, 64), strconv.FormatFloat(p[1], 'f', -1, 64)))
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

// vesselNode finds the mapping of a vessel in a configuration.
func vesselNode(text []byte, vessel string) (*ast.MappingNode, error) {
	file, err := parser.ParseBytes(text, 0)
	if err != nil {
		return nil, fmt.Errorf("the configuration cannot be read as YAML: %w", err)
	}
	for _, doc := range file.Docs {
		root, ok := doc.Body.(*ast.MappingNode)
		if !ok {
			continue
		}
		list, ok := valueOf(root, "vessels").(*ast.SequenceNode)
		if !ok {
			continue
		}
		for _, v := range list.Values {
			m, ok := v.(*ast.MappingNode)
			if !ok {
				continue
			}
			if name := valueOf(m, "name"); name != nil && strings.Trim(name.GetToken().Value, `"'`) == vessel {
				return m, nil
			}
		}
	}
	return nil, fmt.Errorf("no vessel named %q in the configuration", vessel)
}

// find gives the pair of a key, or nil.
func find(m *ast.MappingNode, key string) *ast.MappingValueNode {
	for _, pair := range m.Values {
		if pair.Key.GetToken().Value == key {
			return pair
		}
	}
	return nil
}

// valueOf gives the value of a key, or nil.
func valueOf(m *ast.MappingNode, key string) ast.Node {
	if pair := find(m, key); pair != nil {
		return pair.Value
	}
	return nil
}

// setKey puts another value in the place of a key's.
func setKey(text []byte, vessel, key, value string) ([]byte, error) {
	node, err := vesselNode(text, vessel)
	if err != nil {
		return nil, err
	}
	if node.IsFlowStyle {
		return nil, fmt.Errorf("vessel %q is written in braces on one line; set %s: %s there by hand, or write one key a line", vessel, key, value)
	}
	pair := find(node, key)
	if pair == nil {
		return nil, fmt.Errorf("vessel %q has no %s in the file; add the line %s: %s", vessel, key, key, value)
	}
	lines := bytes.SplitAfter(text, []byte("\n"))
	keyAt := pair.Key.GetToken().Position
	head := lines[keyAt.Line-1]
	colon := bytes.IndexByte(head[keyAt.Column-1:], ':') + keyAt.Column - 1
	first, last := keyAt.Line-1, lastLine(pair.Value)-1
	changed := append([]byte{}, head[:colon]...)
	changed = append(changed, ": "+value...)
	changed = append(changed, tail(lines[last])...)
	var out []byte
	for i, l := range lines {
		switch {
		case i < first || i > last:
			out = append(out, l...)
		case i == first:
			out = append(out, changed...)
		}
	}
	return out, nil
}

// lastLine is the line on which a value ends.
func lastLine(n ast.Node) int {
	last := n.GetToken().Position.Line
	if seq, ok := n.(*ast.SequenceNode); ok && seq.End != nil {
		last = max(last, seq.End.Position.Line)
	}
	if m, ok := n.(*ast.MappingNode); ok && m.End != nil {
		last = max(last, m.End.Position.Line)
	}
	ast.Walk(walker(func(v ast.Node) { last = max(last, v.GetToken().Position.Line) }), n)
	return last
}

// walker calls itself for every node.
type walker func(ast.Node)

// Visit goes on into every node.
func (w walker) Visit(n ast.Node) ast.Visitor {
	w(n)
	return w
}

// tail is what stands behind a value on its last line: a comment, or nothing, and
// the line's end.
func tail(line []byte) []byte {
	end := "\n"
	if !bytes.HasSuffix(line, []byte("\n")) {
		end = ""
	}
	if at := bytes.Index(line, []byte(" #")); at >= 0 {
		for at > 0 && line[at-1] == ' ' {
			at--
		}
		return append(bytes.TrimRight(append([]byte{}, line[at:]...), "\r\n"), end...)
	}
	return []byte(end)
}
