package config

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"tidemark/estimator/geometry"
)

// measuredName is the file of measured vessels within the state directory.
const measuredName = "measured.yaml"

// MeasuredFile is where vessels that were measured on the page are kept.
func MeasuredFile(stateDir string) string { return filepath.Join(stateDir, measuredName) }

// Measured is a vessel as it was measured on the page when that could not write the
// configuration, and was kept beside the rises. It stands over floor_mm and profile of
// the configuration until one of them is changed there: the later word counts. New
// measurements go into the configuration itself.
type Measured struct {
	Vessel  string       `yaml:"vessel"`
	At      time.Time    `yaml:"at"`
	FloorMM float64      `yaml:"floor_mm"`
	Profile [][2]float64 `yaml:"profile,omitempty,flow"` // height mm, litres; empty: as configured
	Over    string       `yaml:"over"`                   // Vessel.Configured of what it stands over
}

// measuredText heads the file.
const measuredText = `# Written by tidemark when a vessel was measured on its page. An entry stands over
# floor_mm and profile of the configuration until one of those is changed there.
# Take an entry out, then reload, to go back to the configuration.
`

// measuredDoc is the shape of the file.
type measuredDoc struct {
	Measured []Measured `yaml:"measured"`
}

// measuredEntry is an entry as it is read: its points may be anything.
type measuredEntry struct {
	Vessel  string      `yaml:"vessel"`
	At      time.Time   `yaml:"at"`
	FloorMM float64     `yaml:"floor_mm"`
	Profile [][]float64 `yaml:"profile"`
	Over    string      `yaml:"over"`
}

// FormatMeasured writes the file's text.
func FormatMeasured(list []Measured) ([]byte, error) {
	body, err := yaml.Marshal(measuredDoc{list})
	if err != nil {
		return nil, err
	}
	return append([]byte(measuredText), body...), nil
}

// ParseMeasured reads the file's text; name stands in its errors, which are
// Problems.
func ParseMeasured(name string, text []byte) (list []Measured, err error) {
	c := &collector{name: name}
	defer c.guard(&err)
	var raw struct {
		Measured []ast.Node `yaml:"measured"`
	}
	if body := c.document(text); body != nil {
		c.decode("", body, &raw)
	}
	for i, n := range raw.Measured {
		if m, ok := c.measured(fmt.Sprintf("measured[%d]", i), n); ok {
			list = append(list, m)
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	return list, nil
}

// measured reads one entry.
func (c *collector) measured(path string, n ast.Node) (m Measured, ok bool) {
	var raw measuredEntry
	if !c.decode(path, n, &raw) {
		return m, false
	}
	points, ok := c.pairs(path+".profile", raw.Profile, "[height mm, litres]")
	if !ok {
		return m, false
	}
	m = Measured{Vessel: raw.Vessel, At: raw.At, FloorMM: raw.FloorMM, Profile: points, Over: raw.Over}
	if _, err := m.shape(); err != nil {
		c.add(path, "vessel %q: %v", m.Vessel, err)
		return m, false
	}
	return m, true
}

// shape checks an entry and builds its profile; nil when it has none.
func (m Measured) shape() (*geometry.Profile, error) {
	if !vesselName.MatchString(m.Vessel) {
		return nil, errors.New("that is no name of a vessel")
	}
	if !(m.FloorMM > 0 && m.FloorMM <= 4000) {
		return nil, fmt.Errorf("floor_mm is %g; expected more than 0 and at most 4000", m.FloorMM)
	}
	if len(m.Profile) == 0 {
		return nil, nil
	}
	p, err := ProfileOf(m.Profile)
	if err == nil && p.TopMM() > m.FloorMM {
		err = fmt.Errorf("the profile is %g mm high, more than the %g mm to the floor", p.TopMM(), m.FloorMM)
	}
	return p, err
}

// LoadMeasured reads the file of measured vessels; no file is an empty list.
func LoadMeasured(path string) ([]Measured, error) {
	text, err := readFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return ParseMeasured(path, text)
}

// MeasuredProfile returns the points of a shape that was measured and stands over the
// configuration of v; nil when none does.
func MeasuredProfile(stateDir string, v Vessel) [][2]float64 {
	list, _ := LoadMeasured(MeasuredFile(stateDir)) // what cannot be read stands over nothing
	for _, m := range list {
		if m.Vessel == v.Name && m.Over == v.Configured {
			return m.Profile
		}
	}
	return nil
}

// ForgetMeasured takes the entry of a vessel out, and the file with the last.
func ForgetMeasured(stateDir, vessel string) error {
	path := MeasuredFile(stateDir)
	list, err := LoadMeasured(path)
	if err != nil || len(list) == 0 {
		return err
	}
	list = slices.DeleteFunc(list, func(m Measured) bool { return m.Vessel == vessel })
	if len(list) == 0 {
		return os.Remove(path)
	}
	text, err := FormatMeasured(list)
	if err == nil {
		err = os.WriteFile(path+".new", text, 0o640)
	}
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	return err
}

// takeMeasured puts what was measured in the place of what is configured. A file
// that cannot be used changes nothing and is noted: the watch goes on.
func (c *Config) takeMeasured() {
	path := MeasuredFile(c.StateDir)
	list, err := LoadMeasured(path)
	if err != nil {
		c.Notes = append(c.Notes, fmt.Sprintf("measured vessels are not taken over, floor_mm and profile of the configuration count: %v", err))
		return
	}
	for _, m := range list {
		i := slices.IndexFunc(c.Vessels, func(v Vessel) bool { return v.Name == m.Vessel })
		if i < 0 {
			continue
		}
		v := &c.Vessels[i]
		if v.Configured != m.Over {
			c.Notes = append(c.Notes, fmt.Sprintf("vessel %s: floor_mm or profile was changed in %s after it was measured on %s; the configuration counts",
				v.Name, c.File, m.At.Format("2006-01-02")))
			continue
		}
		shape, _ := m.shape() // checked when it was read
		if shape == nil {
			shape = v.Profile
		}
		if shape.TopMM() > m.FloorMM {
			c.Notes = append(c.Notes, fmt.Sprintf("vessel %s: its floor was measured %g mm away, but it is configured as %g mm high; the configuration counts",
				v.Name, m.FloorMM, shape.TopMM()))
			continue
		}
		v.FloorMM, v.Profile = m.FloorMM, shape
	}
}

// mark gives a short mark of floor and profile, to see later whether they are
// still the same.
func (v Vessel) mark() string {
	h := sha256.New()
	fmt.Fprintf(h, "%g", v.FloorMM)
	if v.Profile != nil {
		const steps = 16
		for i := range steps {
			at := v.Profile.TopMM() * float64(i+1) / steps
			fmt.Fprintf(h, " %.4f:%.6f", at, math.Abs(v.Profile.Volume(at)))
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}
