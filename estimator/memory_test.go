package estimator

import (
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator/forecast"
)

// heapBytes is what is in use once all that is only pooled is gone: a pool lasts
// two collections.
func heapBytes() float64 {
	for range 3 {
		runtime.GC()
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc)
}

// midRise returns a way to build an estimator of that workshop with three hours of
// readings behind it, fits and a fan.
func midRise(tb testing.TB, shop *forecast.Workshop) func() *Estimator {
	s := plain()
	s.hours = 3
	c := s.config()
	c.Workshop = shop
	grown := s.grow()
	rng := rand.New(rand.NewPCG(1, 1))
	var samples []Sample
	for at := time.Duration(0); at < 3*time.Hour; at += s.every {
		samples = append(samples, s.sample(&grown, at.Hours(), rng))
	}
	return func() *Estimator {
		e, err := New(c)
		require.NoError(tb, err)
		for i, x := range samples {
			e.Observe(x)
			if i%360 == 359 {
				require.NotEmpty(tb, e.Estimate(x.Time).Fan)
			}
		}
		return e
	}
}

// A house with many vessels shall fit a small board: what each adds is bounded.
func TestMemoryOfAVessel(t *testing.T) {
	const vessels, mostBytes = 40, 60e3
	build := midRise(t, forecast.NewWorkshop())
	build()
	list := make([]*Estimator, vessels)
	before := heapBytes()
	for i := range list {
		list[i] = build()
	}
	each := (heapBytes() - before) / vessels
	t.Logf("%.1f kB a vessel", each/1000)
	assert.Less(t, each, mostBytes)
	runtime.KeepAlive(list)
}

func BenchmarkMemoryOfAVessel(b *testing.B) {
	build := midRise(b, forecast.NewWorkshop())
	build()
	var list []*Estimator
	before := heapBytes()
	for b.Loop() {
		list = append(list, build())
	}
	b.ReportMetric((heapBytes()-before)/float64(len(list))/1000, "kB/vessel")
	runtime.KeepAlive(list)
}
