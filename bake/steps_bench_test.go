package bake

import (
	"testing"
)

func BenchmarkSteps(b *testing.B) {
	p := NewProcess(DefaultBatch(), start(), 24)
	e := risingTo(at(9, 10), at(14, 0))
	b.ReportAllocs()
	for b.Loop() {
		p.Steps(at(11, 0), e)
	}
}
