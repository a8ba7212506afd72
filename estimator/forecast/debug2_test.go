package forecast

import (
	"fmt"
	"math"
	"os"
	"testing"
)

func BenchmarkWorst(b *testing.B) {
	for _, i := range []int{9, 21, 153, 157, 77} {
		x := newRise(1_000_000+uint64(i), i%4)
		v0 := x.vessel.volume(x.vessel.base)
		f := New(DefaultPrior("dough"))
		next := 0.0
		fmt.Fprintf(os.Stderr, "X sd %.1f every %2.0f folds %d t2 %4.1f T %.0f>%.0f %s base %.0f %v\n", x.noiseMM, x.every*3600, len(x.folds), x.doubled, x.dough[0], x.dough[int(x.doubled/simStep)], x.vessel.name, x.vessel.base, x.proc)
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
				next = r.at + 0.7
				if !f.fitted {
					return
				}
				v, sd := f.Baseline()
				p, psd := f.Rise(at)
				c := f.Crossing(100)
				fmt.Fprintf(os.Stderr, "X   t %.1f V0 %+.2f±%.2f %% rise %+.2f±%.2f of %.0f cross %+.1f w %.1f best %.2f fam", r.at, 100*(v/v0-1), 100*sd/v0, p-x.truth[int(r.at/simStep)], psd, p, (c.Median.Hours()-x.doubled)*60, (c.Until - c.From).Minutes(), f.best().best)
				for j := range f.models {
					fmt.Fprintf(os.Stderr, " %.2f", f.models[j].weight)
				}
				ess, top := 0.0, math.Inf(-1)
				for _, s := range f.samples {
					ess += s.weight * s.weight
					top = max(top, s.weight)
				}
				fmt.Fprintf(os.Stderr, " ess %.0f wander %.2f\n", 1/ess, f.wander())
				f.Refit(at)
			}
		})
	}
}
