package estimator

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
)

// warningTable prints the table of the campaign.
func warningTable(w io.Writer, list []result) {
	fmt.Fprintf(w, "%-16s %6s %9s %8s %8s %7s %7s %7s %7s %7s %7s %7s %6s %6s %7s %6s %6s %6s\n", "fault", "rises", "near<=5m", "med min", "p90 min",
		"missed", "f.near", "f.ready", "f.over", "f.fall", "f.end", "f.short", "missOv", "z rms", "mean|e|", "60m", "30m", "bias30")
	for k := noFault; k <= faultKinds; k++ {
		var n, due, hit, missed, fn, fr, fo, ff, fe, fs, mo int
		var errs, at60, at30 []float64
		var bias float64
		var z, zn, abs float64
		for _, r := range list {
			if r.kind != k && k != faultKinds {
				continue
			}
			n++
			z, zn, abs = z+r.z, zn+r.zN, abs+r.absErr
			if !math.IsNaN(r.err60) {
				at60 = append(at60, math.Abs(r.err60))
			}
			if !math.IsNaN(r.err30) {
				at30 = append(at30, math.Abs(r.err30))
				bias += r.err30
			}
			if r.hasNear {
				due++
				if !r.near {
					missed++
				} else {
					errs = append(errs, math.Abs(r.nearErr))
					if math.Abs(r.nearErr) <= 5 {
						hit++
					}
				}
			}
			fn, fr, fo, ff, fe, fs = fn+b2i(r.falseNear && r.hasNear), fr+b2i(r.falseReady), fo+b2i(r.falseOver), ff+b2i(r.falseFal), fe+b2i(r.falseEnd), fs+b2i(r.falseShort)
			mo += b2i((r.overDue || r.fallDue) && !r.over && !r.fall)
		}
		slices.Sort(errs)
		slices.Sort(at60)
		slices.Sort(at30)
		name := "all rises"
		if k < faultKinds {
			name = k.String()
		}
		fmt.Fprintf(w, "%-16s %6d %8.1f%% %8.1f %8.1f %7d %7d %7d %7d %7d %7d %7d %6d %6.2f %7.2f %6.1f %6.1f %6.1f\n", name, n, 100*float64(hit)/math.Max(float64(due), 1),
			at(errs, 0.5), at(errs, 0.9), missed, fn, fr, fo, ff, fe, fs, mo, math.Sqrt(z/math.Max(zn, 1)), abs/math.Max(zn, 1),
			at(at60, 0.5), at(at30, 0.5), bias/math.Max(float64(len(at30)), 1))
	}
}

func at(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[int(q*float64(len(sorted)-1))]
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// sensorTable prints how timely near was by sensor.
func sensorTable(w io.Writer, list []result) {
	errs := map[string][]float64{}
	for _, r := range list {
		if r.hasNear && r.near && r.kind != everything {
			errs[r.sensor] = append(errs[r.sensor], math.Abs(r.nearErr))
		}
	}
	fmt.Fprintf(w, "%-36s %6s %9s %8s %8s\n", "noise and sampling (not all faults)", "rises", "near<=5m", "med min", "p90 min")
	for _, name := range slices.Sorted(maps.Keys(errs)) {
		e := errs[name]
		slices.Sort(e)
		hit := 0
		for _, v := range e {
			hit += b2i(v <= 5)
		}
		fmt.Fprintf(w, "%-36s %6d %8.1f%% %8.1f %8.1f\n", name, len(e), 100*float64(hit)/float64(len(e)), at(e, 0.5), at(e, 0.9))
	}
}
