package planner_test

import (
	"testing"

	"tidemark/bake/planner"
)

func BenchmarkMake(b *testing.B) {
	w := request()
	for b.Loop() {
		if _, err := planner.Make(w); err != nil {
			b.Fatal(err)
		}
	}
}
