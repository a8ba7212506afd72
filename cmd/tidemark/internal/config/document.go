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
// square of the length and with the depth. Twenty vessels with all their settings
// take about a third of them.
const (
	maxFileBytes = 64 << 10
	maxTokens    = 1 << 14 // words and marks
	maxDepth     = 32      // brackets in brackets, or dashes in a line
	maxProblems  = 40      // more help nobody
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
		c.addAt(0, 0, "", "the file is larger than %d KiB; this is no file of settings", maxFileBytes>>10)
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
	if len(tree.Docs) == 0 || tree.Docs[0].Body == nil {
		return nil
	}
	for _, d := range tree.Docs[1:] {
		var line, col int
		if d.Start != nil && d.Start.Position != nil {
			line, col = d.Start.Position.Line, d.Start.Position.Column
		}
		c.addAt(line, col, "", "a second document begins here and would not be read; remove the line of dashes")
	}
	if len(c.found) > 0 {
		return nil
	}
	return tree.Docs[0].Body
}

// bounded refuses what is too long, too deep, or needs more of YAML than values,
// lists and keys: an alias could stand for any amount of text.
func (c *collector) bounded(tokens token.Tokens) bool {
	brackets, marks, line := 0, 0, 0
	for _, t := range tokens {
		at := t.Position
		if at.Line != line {
			marks, line = 0, at.Line
		}
		switch t.Type {
		case token.SequenceStartType, token.MappingStartType:
			brackets++
		case token.SequenceEndType, token.MappingEndType:
			brackets--
		case token.SequenceEntryType, token.MappingKeyType, token.MappingValueType:
			if brackets == 0 {
				marks++
			}
		case token.AnchorType, token.AliasType, token.TagType, token.MergeKeyType, token.DirectiveType:
			c.addAt(at.Line, at.Column, "", "%q: anchors, aliases, tags and directives of YAML are not read here; write the value itself, or put it in quotes", strings.TrimSpace(t.Value))
			return false
		}
		if brackets+marks > maxDepth {
			c.addAt(at.Line, at.Column, "", "lists and keys lie more than %d deep here; no setting does", maxDepth)
			return false
		}
	}
	if len(tokens) > maxTokens {
		c.addAt(0, 0, "", "the file has more than %d words and marks; this is no file of settings", maxTokens)
		return false
	}
	return true
}

// decode reads a node into v, strictly.
func (c *collector) decode(path string, n ast.Node, v any) bool {
	if n == nil || n.Type() == ast.NullType {
		c.add(path, "there is nothing here; write it or remove it")
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
		c.found = append(c.found, Problem{File: c.name, Line: 1, Col: 1, Msg: fmt.Sprintf("the file cannot be understood (%v); take back what was changed in it last", r)})
		*err = c.err()
	}
}

// pairs turns a list of lists into pairs.
func (c *collector) pairs(path string, rows [][]float64, what string) (out [][2]float64, ok bool) {
	for i, row := range rows {
		if len(row) != 2 {
			c.add(fmt.Sprintf("%s[%d]", path, i), "expected %s, found %s", what, numbers(len(row)))
			return nil, false
		}
		out = append(out, [2]float64{row[0], row[1]})
	}
	return out, true
}

// numbers counts numbers in words.
func numbers(n int) string {
	if n == 1 {
		return "1 number"
	}
	return fmt.Sprintf("%d numbers", n)
}
