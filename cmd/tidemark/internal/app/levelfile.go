package app

import (
	"math"
	"slices"
	"strings"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator/geometry"
	"tidemark/sensor/survey"
)

// InsideOf is what the configuration says about a vessel's inside.
func InsideOf(v config.Vessel) survey.Inside {
	if v.Profile == nil {
		return survey.Inside{}
	}
	top := v.Profile.TopMM()
	return survey.Inside{TopMM: top, WidthMM: func(heightMM float64) float64 {
		const about = 10 // mm: over less the curve of a profile of few points says little
		lo, hi := max(0, heightMM-about), min(top, heightMM+about)
		areaMM2 := (v.Profile.Volume(hi) - v.Profile.Volume(lo)) * 1e6 / (hi - lo)
		return 2 * math.Sqrt(max(areaMM2, 0)/math.Pi) // of a round vessel of that area
	}}
}

// rimReached is how near to the rim, in mm, water counts as having reached it.
const rimReached = 5

// ToTheRim goes on with a measured profile from its last point, [height mm,
// litres], up to the rim of the shape that was known before, with that shape's
// widths: dough may stand higher than the water did. It says whether it did so.
func ToTheRim(points [][2]float64, known *geometry.Profile) ([][2]float64, bool) {
	if len(points) == 0 || known == nil {
		return points, false
	}
	last, rim := points[len(points)-1], known.TopMM()
	if rim < last[0]+rimReached {
		return points, false
	}
	out := slices.Clone(points)
	for _, share := range []float64{0.5, 1} {
		h := last[0] + share*(rim-last[0])
		more := known.Volume(h) - known.Volume(last[0])
		out = append(out, [2]float64{math.Round(h*10) / 10, math.Round((last[1]+more)*1000) / 1000})
	}
	return out, true
}

// Differing gives the lines of two texts that differ, without those that are the
// same at their beginning and end.
func Differing(old, fresh string) (before, after []string) {
	before, after = strings.Split(old, "\n"), strings.Split(fresh, "\n")
	for len(before) > 0 && len(after) > 0 && before[0] == after[0] {
		before, after = before[1:], after[1:]
	}
	for len(before) > 0 && len(after) > 0 && before[len(before)-1] == after[len(after)-1] {
		before, after = before[:len(before)-1], after[:len(after)-1]
	}
	return before, after
}
