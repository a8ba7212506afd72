package text

import (
	"embed"
	"fmt"
	"io/fs"
	"regexp"
	"strings"
)

//go:embed *.txt
var files embed.FS

// fallback is the language that is complete by definition.
const fallback = "en"

// placeholder is a value's place in a sentence.
var placeholder = regexp.MustCompile(`\{[a-z0-9_]+\}`)

// Load returns the sentences of a language that ships with the program, by their keys.
// That its file is well formed is tested.
func Load(language string) (map[string]string, error) {
	file, err := files.ReadFile(language + ".txt")
	if err != nil {
		return nil, fmt.Errorf("language %q is not there; use one of %s", language, strings.Join(languages(), ", "))
	}
	sentences := map[string]string{}
	for line := range strings.Lines(string(file)) {
		if key, sentence, found := strings.Cut(line, "="); found && !strings.HasPrefix(line, "#") {
			sentences[strings.TrimSpace(key)] = strings.TrimSpace(sentence)
		}
	}
	return sentences, nil
}

// languages lists the languages that ship with the program, sorted.
func languages() []string {
	names, _ := fs.Glob(files, "*.txt") // only a malformed pattern errs
	for i := range names {
		names[i] = strings.TrimSuffix(names[i], ".txt")
	}
	return names
}
