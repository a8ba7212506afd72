package app

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
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

// A usual rise, for what an error of the height comes to: judgement.
const (
	usualShare   = 0.4  // of the vessel is filled, so that twice as much has room
	usualRise    = 50.0 // percent
	usualPerHour = 25.0 // percent an hour
	usualErrorMM = 1.5  // of a cheap sensor after an hour, 1 sd
)

// WorthOfMM says to how many minutes a time is told in a vessel of a shape, and in a
// narrower one; empty when the shape does not tell.
func WorthOfMM(v config.Vessel, shape *geometry.Profile, words *text.Localizer) string {
	if shape == nil {
		return ""
	}
	start := usualShare * shape.TopMM()
	if v.Batch != nil {
		if n, err := v.Batch.Numbers(); err == nil {
			start = shape.Height(n.StartVolumeL)
		}
	}
	minutes := estimator.MinutesPerMM(shape, start, usualRise, usualPerHour)
	if math.IsNaN(minutes) {
		return ""
	}
	return words.Say("page.level.worth", text.Values{"minutes": math.Ceil(minutes * usualErrorMM), "start_mm": start, "speed_percent": usualPerHour, "per_mm_tenth": minutes,
		"error_tenth": usualErrorMM, "narrow": math.Ceil(minutes * usualErrorMM / 4)})
}

// rimReached is how near to the rim, in mm, water counts as having reached it.
const rimReached = 5

// toTheRim goes on with a measured profile from its last point, [height mm,
// litres], up to the rim of the shape that was known before, with that shape's
// widths: dough may stand higher than the water did. It says whether it did so.
func toTheRim(points [][2]float64, known *geometry.Profile) ([][2]float64, bool) {
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

// measurement is a measured vessel with what it changes in the configuration.
type measurement struct {
	FloorMM  float64
	Profile  [][2]float64 // height mm, litres; nil leaves the shape
	ToTheRim bool         // Profile goes on above the water as the shape in force does
	Text     []byte       // of the file with the change
	file     *config.File
	now      config.Sheet
}

// MeasuredIn works out what a measurement changes in the configuration as the file has
// it now.
func MeasuredIn(file *config.File, vessel string, cal *survey.Calibration) (m measurement, err error) {
	m.file = file
	if m.FloorMM, m.Profile, err = cal.Result(); err != nil {
		return m, err
	}
	if m.now, err = file.Read(); err == nil {
		err = m.now.Err
	}
	if err != nil {
		return m, err
	}
	v, err := m.now.Config.Vessel(vessel)
	if err != nil {
		return m, err
	}
	if m.Profile == nil && v.Profile.TopMM() > m.FloorMM {
		return m, config.Problem{Said: bake.Said{Key: "refused.measured_inside", Values: text.Values{"floor": fmt.Sprint(m.FloorMM), "top": fmt.Sprint(v.Profile.TopMM())}}}
	}
	m.Profile, m.ToTheRim = toTheRim(m.Profile, v.Profile)
	m.Text, err = config.Measured(m.now, vessel, m.FloorMM, m.Profile)
	return m, err
}

// ID names exactly this change.
func (m measurement) ID() string {
	return config.VersionOf(append([]byte(m.now.Version), m.Text...))
}

// Write writes it, unless the file is another one by now.
func (m measurement) Write() error {
	_, err := m.file.Save(m.now.Version, m.Text)
	return err
}

// Differing returns the lines that the change takes out and puts in.
func (m measurement) Differing() (before, after []string) {
	before, after = strings.Split(string(m.now.Text), "\n"), strings.Split(string(m.Text), "\n")
	for len(before) > 0 && len(after) > 0 && before[0] == after[0] {
		before, after = before[1:], after[1:]
	}
	for len(before) > 0 && len(after) > 0 && before[len(before)-1] == after[len(after)-1] {
		before, after = before[:len(before)-1], after[:len(after)-1]
	}
	return before, after
}
