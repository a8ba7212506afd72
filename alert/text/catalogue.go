package text

import (
	"bufio"
	"embed"
	"fmt"
	"io"
	"regexp"
	"sort"
	"strings"
)

//go:embed *.txt
var files embed.FS

// fallback is the language that is complete by definition.
const fallback = "en"

// placeholder is a value's place in a sentence.
var placeholder = regexp.MustCompile(`\{[a-z0-9_]+\}`)

// keyShape is what a key looks like.
var keyShape = regexp.MustCompile(`^[a-z0-9_]+(\.[a-z0-9_-]+)*$`)

// Catalogue maps a key to its sentence.
type Catalogue map[string]string

// Parse reads a catalogue. It refuses a line that is neither a comment nor
// "key = sentence", a key of another shape, a key given twice, an empty
// sentence and a brace that belongs to no placeholder, naming the line.
func Parse(r io.Reader) (Catalogue, error) {
	c := Catalogue{}
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		key, sentence, err := parseLine(line)
		if err == nil && c[key] != "" {
			err = fmt.Errorf("key %q is given twice; remove one", key)
		}
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		c[key] = sentence
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("the catalogue cannot be read: %w", err)
	}
	return c, nil
}

// parseLine splits and checks one entry.
func parseLine(line string) (key, sentence string, err error) {
	key, sentence, found := strings.Cut(line, "=")
	key, sentence = strings.TrimSpace(key), strings.TrimSpace(sentence)
	switch {
	case !found:
		return "", "", fmt.Errorf("%q is no entry; write key = sentence", line)
	case !keyShape.MatchString(key):
		return "", "", fmt.Errorf("%q is no key; use small letters, digits, dots and underscores", key)
	case sentence == "":
		return "", "", fmt.Errorf("key %q has no sentence", key)
	case strings.ContainsAny(placeholder.ReplaceAllString(sentence, ""), "{}"):
		return "", "", fmt.Errorf("key %q has a brace outside a placeholder; write {name}", key)
	}
	return key, sentence, nil
}

// Load returns the catalogue of a language that ships with the program.
func Load(language string) (Catalogue, error) {
	f, err := files.Open(language + ".txt")
	if err != nil {
		return nil, fmt.Errorf("language %q is not there; use one of %s", language, strings.Join(Languages(), ", "))
	}
	defer f.Close()
	c, err := Parse(f)
	if err != nil {
		return nil, fmt.Errorf("%s.txt: %w", language, err)
	}
	return c, nil
}

// Languages lists the languages that ship with the program, sorted.
func Languages() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		return []string{fallback}
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".txt"))
	}
	sort.Strings(names)
	return names
}
