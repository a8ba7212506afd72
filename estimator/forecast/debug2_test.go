package forecast

import (
	"fmt"
	"os"
	"testing"
)

func BenchmarkWander(b *testing.B) {
	for i := range 40 {
		x := newRise(uint64(i)+500, i%4)
		f := New(DefaultPrior("dough"))
		next := 0.0
		fmt.Fprintf(os.Stderr, "%-28s sd %.1f every %2.0f folds %d t2 %.1f T %.0f>%.0f:", x.proc.name(), x.noiseMM, x.every*3600, len(x.folds), x.doubled, x.dough[0], x.dough[int(x.doubled/simStep)])
		k := 0
		x.readings(x.doubled, func(r reading) {
			at := duration(r.at)
			f.Temper(at, r.dough, r.air)
			if r.fold {
				f.Disturb(at, 0)
			}
			if r.seen {
				f.Add(Point{At: at, VolumeL: r.volume, SDL: r.sd, DoughC: r.dough})
			}
			if r.at >= next {
				f.Refit(at)
				next = r.at + 0.25
				k++
				if k%4 == 0 && f.fitted {
					fmt.Fprintf(os.Stderr, " %.2f", f.wander())
				}
			}
		})
		f.Refit(duration(x.doubled))
		fmt.Fprintf(os.Stderr, " ratio %.2f ss %.0f n %d | ", f.bins.noise.ratio(), f.best().ss, f.state.n)
		for j := range f.models {
			fmt.Fprintf(os.Stderr, "%.2f ", f.models[j].weight)
		}
		ess := 0.0
		for _, s := range f.samples {
			ess += s.weight * s.weight
		}
		fmt.Fprintf(os.Stderr, " ess %.0f/%d best %.2f\n", 1/ess, len(f.samples), f.best().best)
	}
}
