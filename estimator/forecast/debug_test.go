package forecast

import (
	"fmt"
	"os"
	"sort"
	"testing"
)

func BenchmarkBreakdown(b *testing.B) {
	type group struct {
		err, bound, signed []float64
		cov                float64
	}
	cols := []int{0, 2, 3, 4}
	groups := map[string]*[5]group{}
	add := func(name string, c int, v verdict) {
		g := groups[name]
		if g == nil {
			g = new([5]group)
			groups[name] = g
		}
		g[c].err = append(g[c].err, v.ours)
		g[c].bound = append(g[c].bound, v.bound)
		g[c].signed = append(g[c].signed, v.signed)
		g[c].cov += covered(v)
	}
	for i := range *riseCount {
		x := newRise(*seedBase*1_000_000+uint64(i), i%4)
		out := judge(x)
		for _, c := range cols {
			v := out[c]
			if !v.present {
				continue
			}
			add(fmt.Sprintf("noise %.1f", x.noiseMM), c, v)
			add(fmt.Sprintf("every %.0f", x.every*3600), c, v)
			add(fmt.Sprintf("folds %v", len(x.folds) > 0), c, v)
			add(fmt.Sprintf("airless %v", x.airIsUnknown), c, v)
			add("vessel "+x.vessel.name, c, v)
			add(fmt.Sprintf("temp %v", int(x.dough[200]/4)*4), c, v)
			add(fmt.Sprintf("t2 %v", int(x.doubled/2)*2), c, v)
			dt := x.dough[int(x.doubled/simStep)] - x.dough[0]
			add(fmt.Sprintf("ramp %v", int(dt/2)*2), c, v)
		}
	}
	var names []string
	for n := range groups {
		names = append(names, n)
	}
	sort.Strings(names)
	for _, n := range names {
		fmt.Fprintf(os.Stderr, "%-24s", n)
		for _, c := range cols {
			g := groups[n][c]
			sort.Float64s(g.err)
			sort.Float64s(g.signed)
			fmt.Fprintf(os.Stderr, " | %3d %5.1f /%5.1f b %5.1f c %3.0f s %+5.1f", len(g.err), at(g.err, .5), at(g.err, .9), at(boundErrors(g.bound), .5), 100*g.cov/float64(len(g.err)), at(g.signed, .5))
		}
		fmt.Fprintln(os.Stderr)
	}
}
