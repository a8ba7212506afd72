package app

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"
	"time"

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

// BackupName is where a file is kept before it is replaced.
func BackupName(path string, now time.Time) string {
	return path + ".before-" + now.Format("20060102-150405")
}

// ReplaceFile keeps the old file, if there is one, under backup and puts the new
// text in its place in one step.
func ReplaceFile(path, backup string, text []byte) error {
	mode, fresh := fs.FileMode(0o640), path+".new"
	info, err := os.Stat(path)
	switch {
	case err == nil:
		mode = info.Mode().Perm()
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	if err := writeSynced(fresh, text, mode); err != nil {
		return fmt.Errorf("the new file cannot be written: %w; the old one is untouched", err)
	}
	if info != nil {
		if err := os.Link(path, backup); err != nil {
			return fmt.Errorf("the old file cannot be kept as %s: %w; nothing was changed", backup, errors.Join(err, os.Remove(fresh)))
		}
	}
	if err := os.Rename(fresh, path); err != nil {
		return fmt.Errorf("the new file cannot be put in place: %w; the old one is untouched", err)
	}
	return nil
}

// writeSynced writes a file that reaches the disk before it is used.
func writeSynced(path string, text []byte, mode fs.FileMode) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Sync(), f.Close())
}

// levelChange is what a measured vessel would change in the file of measured
// vessels.
type levelChange struct {
	file, backup string // backup is empty when there is no file yet
	text         []byte
	before       []string
	after        []string
}

// id names exactly this change.
func (c levelChange) id() string {
	sum := sha256.Sum256([]byte(strings.Join(c.before, "\n") + "\x00" + string(c.text)))
	return hex.EncodeToString(sum[:8])
}

// changeOf works out what it takes to keep a measured vessel.
func changeOf(stateDir string, m config.Measured) (levelChange, error) {
	c := levelChange{file: config.MeasuredFile(stateDir)}
	list, err := config.LoadMeasured(c.file)
	if err != nil {
		return c, fmt.Errorf("%w; take the file away and measure again", err)
	}
	old, err := os.ReadFile(c.file)
	if err == nil {
		c.backup = BackupName(c.file, m.At)
	}
	list = slices.DeleteFunc(list, func(x config.Measured) bool { return x.Vessel == m.Vessel })
	if c.text, err = config.FormatMeasured(append(list, m)); err != nil {
		return c, err
	}
	if _, err := config.ParseMeasured(c.file, c.text); err != nil {
		return c, err
	}
	c.before, c.after = Differing(string(old), string(c.text))
	if len(old) == 0 {
		c.before = nil
	}
	return c, nil
}
