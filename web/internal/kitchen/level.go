package kitchen

import (
	"context"
	"fmt"
	"math"

	"tidemark/web"
)

// Scale is a Leveller of invented measurements: a tub 180 mm wide whose floor is
// 238.4 mm from the sensor. Make one with NewScale.
type Scale struct {
	k       *Kitchen
	remarks []string
	empty   bool
	pours   []web.LevelPoint
	Written []string // changes that were written
}

// NewScale measures the vessels of a kitchen. Remarks are what it says about how
// the sensor sits.
func NewScale(k *Kitchen, remarks ...string) *Scale { return &Scale{k: k, remarks: remarks} }

// inventedL is the volume of the tub up to a height in mm.
func inventedL(mm float64) float64 { return mm * math.Pi * 90 * 90 / 1e6 }

// Level tells how far the measuring is. The rise in the tub blocks it.
func (s *Scale) Level(vessel string) (web.Level, error) {
	s.k.mu.Lock()
	defer s.k.mu.Unlock()
	l := web.Level{Sensor: "vl53l1x 0x29", Seconds: 10, FloorMM: 240, TopMM: 200, Old: []web.LevelPoint{{}, {VolumeL: inventedL(200), HeightMM: 200}}}
	for _, v := range s.k.vessels {
		if v.Name == vessel && v.RiseID != 0 {
			l.Blocked = "A rise is being watched in " + vessel + ". Measure between two rises, with the vessel empty."
		}
	}
	if !s.empty {
		return l, nil
	}
	l.Empty = &web.LevelReading{MM: 238.4, SpreadMM: 0.8, SDMM: 0.3, Usable: 10, Missed: 1}
	l.Remarks, l.Pours = s.remarks, s.pours
	after := []string{"measured:", "- vessel: " + vessel, "  floor_mm: 238.4"}
	if len(s.pours) > 0 {
		l.Profile = append([]web.LevelPoint{{}}, s.pours...)
		after = append(after, fmt.Sprintf("  profile: %d points", len(l.Profile)))
	}
	l.Change = &web.LevelChange{ID: fmt.Sprintf("change-%d", len(s.pours)), File: "/var/lib/tidemark/measured.yaml",
		Backup: "measured.yaml.before-20260314-172000", Before: []string{"measured: []"}, After: after}
	return l, nil
}

// LevelEmpty measures at once.
func (s *Scale) LevelEmpty(_ context.Context, vessel string) error {
	l, err := s.Level(vessel)
	if err == nil && l.Blocked != "" {
		err = web.Refuse("%s", l.Blocked)
	}
	if err == nil {
		s.empty, s.pours = true, nil
	}
	return err
}

// LevelPour finds the water where it stands in the invented tub.
func (s *Scale) LevelPour(_ context.Context, _ string, totalL float64) error {
	switch {
	case !s.empty:
		return web.Refuse("The empty vessel was not measured yet; do that first.")
	case !(totalL > 0 && totalL <= 5):
		return web.Refuse("Expected more than 0 and at most 5 litres, found %g.", totalL)
	}
	s.pours = append(s.pours, web.LevelPoint{VolumeL: totalL, HeightMM: totalL / inventedL(1)})
	return nil
}

// LevelWrite notes what would be written.
func (s *Scale) LevelWrite(_ context.Context, vessel, change string) (string, error) {
	l, err := s.Level(vessel)
	if err != nil || l.Change == nil || l.Change.ID != change {
		return "", web.Refuse("That is not what was shown last; look at the change again.")
	}
	s.Written = append(s.Written, change)
	s.empty, s.pours = false, nil
	return "Written and in force: floor 238.4 mm.", nil
}

// LevelEnd forgets.
func (s *Scale) LevelEnd(string) error {
	s.empty, s.pours = false, nil
	return nil
}
