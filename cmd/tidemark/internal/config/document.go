package config

import (
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Bounds of a file, checked before it is parsed: the parser's time grows with the
// square of the depth. Twenty vessels with all their settings take two thirds.
const (
	maxFileBytes = 64 << 10
	maxDepth     = 32 // brackets in brackets
	maxProblems  = 40 // more help nobody
)

// readFile reads a file as far as a document may go and one byte more.
func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxFileBytes+1))
}

// document parses a file that stays within the bounds and returns what is in it;
// nil when there is nothing, or when a problem was found.
func (c *collector) document(data []byte) ast.Node {
	if len(data) > maxFileBytes {
		c.addAt(0, 0, "", say("too_large", "kib", maxFileBytes>>10))
		return nil
	}
	tokens := lexer.Tokenize(string(data))
	if !c.bounded(tokens) {
		return nil
	}
	tree, err := parser.Parse(tokens, 0)
	if err != nil {
		c.addYAML("", err)
		return nil
	}
	c.file = tree
	switch len(tree.Docs) {
	case 0:
		return nil
	case 1:
		return tree.Docs[0].Body
	}
	line, col := positionOf(tree.Docs[1].Start)
	c.addAt(line, col, "", say("second_document"))
	return nil
}

// bounded refuses what is too deep, or needs more of YAML than values, lists and keys: an
// alias could stand for any amount of text.
func (c *collector) bounded(tokens token.Tokens) bool {
	depth := 0
	for _, t := range tokens {
		switch t.Type {
		case token.SequenceStartType, token.MappingStartType:
			depth++
		case token.SequenceEndType, token.MappingEndType:
			depth--
		case token.AnchorType, token.AliasType, token.TagType, token.MergeKeyType, token.DirectiveType:
			c.addAt(t.Position.Line, t.Position.Column, "", say("anchors", "found", strings.TrimSpace(t.Value)))
			return false
		}
		if depth > maxDepth {
			c.addAt(t.Position.Line, t.Position.Column, "", say("too_deep", "most", maxDepth))
			return false
		}
	}
	return true
}

// decode reads a node into v, strictly.
func (c *collector) decode(path string, n ast.Node, v any) bool {
	if n == nil || n.Type() == ast.NullType {
		c.add(path, "nothing")
		return false
	}
	if err := yaml.NodeToValue(n, v, yaml.Strict()); err != nil {
		c.addYAML(path, err)
		return false
	}
	return true
}

// decodeValid reads a node into a new value whose package says whether it is valid; nil
// when it is not.
func decodeValid[T any, P interface {
	*T
	Validate() error
}](c *collector, path string, n ast.Node) *T {
	v := new(T)
	if !c.decode(path, n, v) {
		return nil
	}
	if err := P(v).Validate(); err != nil {
		c.fieldError(path, err)
		return nil
	}
	return v
}

// guard is deferred by those who read a whole file: a panic of the library is a problem
// of the file as any other, and must not end a watch that runs.
func (c *collector) guard(err *error) {
	if r := recover(); r != nil {
		c.found = append(c.found, Problem{File: c.name, Line: 1, Col: 1, Said: say("not_understood", "reason", fmt.Sprint(r))})
		*err = c.err()
	}
}

// pairs turns a list of lists into pairs of what a key names.
func (c *collector) pairs(path string, rows [][]float64, key string) (out [][2]float64, ok bool) {
	for i, row := range rows {
		pair, ok := c.pair(fmt.Sprintf("%s[%d]", path, i), row, key)
		if !ok {
			return nil, false
		}
		out = append(out, pair)
	}
	return out, true
}

// pair checks that a list has two numbers.
func (c *collector) pair(path string, row []float64, key string) (pair [2]float64, ok bool) {
	if len(row) != 2 {
		c.add(path, "numbers", "want", say(key), "n", len(row))
		return pair, false
	}
	return [2]float64(row), true
}
