package bake_test

import (
	"strings"
	"testing"

	"tidemark/alert/text"
	"tidemark/bake"
)

func TestMain(m *testing.M) {
	english := text.New(text.Locale{})
	bake.SayWith(func(list ...bake.Said) string {
		return strings.ReplaceAll(english.Tell(list...), "\u00a0", " ")
	})
	m.Run()
}
