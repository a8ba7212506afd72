package bake_test

import (
	"testing"

	"tidemark/bake"
)

func BenchmarkSteps(b *testing.B) {
	p := bake.NewProcess(bake.DefaultBatch(), start(), 24)
	e := rising(at(9, 10), at(14, 0))
	b.ReportAllocs()
	for b.Loop() {
		p.Steps(at(11, 0), e)
	}
}
