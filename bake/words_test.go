package bake_test

import (
	"strings"

	"tidemark/alert/text"
	"tidemark/bake"
)

// words says sentences in English, with plain spaces.
func words(list ...bake.Said) string {
	return strings.ReplaceAll(text.New(text.Locale{}).Tell(list...), "\u00a0", " ")
}
