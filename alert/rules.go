package alert

import (
	"time"

	"tidemark/alert/text"
)

// Rules are the limits and hold times of a Watch. A field left at zero takes
// the value of DefaultRules, so Rules{} is ready to use.
type Rules struct {
	Household text.Locale     `yaml:"-"` // how the texts speak
	Words     *text.Localizer `yaml:"-"` // one for many vessels; nil: a new one for Household
	Traits    Traits          `yaml:"-"` // one for many vessels; nil: a new one

	Lead     time.Duration `yaml:"-"` // used when Input.Lead is zero
	NearHold time.Duration `yaml:"near_hold"`
	// ShiftMin is how far the time told by a near warning may move before the
	// warning is updated.
	ShiftMin time.Duration `yaml:"near_update_after"`

	ReachedHold      time.Duration `yaml:"reached_hold"`
	OverMarginPoints float64       `yaml:"over_margin_points"` // percentage points above the mark
	OverHold         time.Duration `yaml:"over_hold"`
	LevelsOffHold    time.Duration `yaml:"levels_off_hold"`
	StarterHold      time.Duration `yaml:"starter_hold"`

	TooHotC     float64       `yaml:"too_hot_c"`
	TooHotHold  time.Duration `yaml:"too_hot_hold"`
	TooColdC    float64       `yaml:"too_cold_c"`
	TooColdHold time.Duration `yaml:"too_cold_hold"`
	TempBandC   float64       `yaml:"temperature_hysteresis_c"`
	OvenLimitC  float64       `yaml:"oven_limit_c"`

	LostAfter   time.Duration `yaml:"-"` // dough not seen for longer than this, whatever the reason
	SuspectHold time.Duration `yaml:"suspect_hold"`
	ClockHold   time.Duration `yaml:"clock_hold"`
	DiskRatio   float64       `yaml:"disk_free_ratio"` // 0..1
	PowerHold   time.Duration `yaml:"power_hold"`

	// Rearm is how long a fault must be gone before it counts as recovered.
	Rearm time.Duration `yaml:"recovered_after"`
}

// DefaultRules returns the limits used when nothing else is set. They are
// common practice in a home kitchen, no source.
func DefaultRules() Rules {
	return Rules{
		Lead:             30 * time.Minute,
		NearHold:         2 * time.Minute,
		ShiftMin:         10 * time.Minute,
		ReachedHold:      30 * time.Second,
		OverMarginPoints: 15,
		OverHold:         5 * time.Minute,
		LevelsOffHold:    10 * time.Minute,
		StarterHold:      5 * time.Minute,
		TooHotC:          32,
		TooHotHold:       5 * time.Minute,
		TooColdC:         16,
		TooColdHold:      15 * time.Minute,
		TempBandC:        1,
		OvenLimitC:       45,
		LostAfter:        5 * time.Minute,
		SuspectHold:      10 * time.Minute,
		ClockHold:        5 * time.Minute,
		DiskRatio:        0.05,
		PowerHold:        10 * time.Second,
		Rearm:            5 * time.Minute,
	}
}

// withDefaults fills the fields left at zero.
func (r Rules) withDefaults() Rules {
	d := DefaultRules()
	for _, p := range []struct{ have, def *time.Duration }{
		{&r.Lead, &d.Lead}, {&r.NearHold, &d.NearHold}, {&r.ShiftMin, &d.ShiftMin},
		{&r.ReachedHold, &d.ReachedHold}, {&r.OverHold, &d.OverHold},
		{&r.LevelsOffHold, &d.LevelsOffHold}, {&r.StarterHold, &d.StarterHold},
		{&r.TooHotHold, &d.TooHotHold}, {&r.TooColdHold, &d.TooColdHold},
		{&r.LostAfter, &d.LostAfter}, {&r.SuspectHold, &d.SuspectHold},
		{&r.ClockHold, &d.ClockHold}, {&r.PowerHold, &d.PowerHold}, {&r.Rearm, &d.Rearm},
	} {
		if *p.have == 0 {
			*p.have = *p.def
		}
	}
	for _, p := range []struct{ have, def *float64 }{
		{&r.OverMarginPoints, &d.OverMarginPoints}, {&r.TooHotC, &d.TooHotC},
		{&r.TooColdC, &d.TooColdC}, {&r.TempBandC, &d.TempBandC},
		{&r.OvenLimitC, &d.OvenLimitC}, {&r.DiskRatio, &d.DiskRatio},
	} {
		if *p.have == 0 {
			*p.have = *p.def
		}
	}
	return r
}

// Validate checks limits that came from a configuration. Zero fields pass: they
// take their default. The error is a *FieldError.
func (r Rules) Validate() error {
	r = r.withDefaults()
	for _, c := range []struct {
		field, unit     string
		value, low, top float64
	}{
		{"too_hot_c", "C", r.TooHotC, 24, 44},
		{"too_cold_c", "C", r.TooColdC, 0, 23},
		{"temperature_hysteresis_c", "C", r.TempBandC, 0.1, 5},
		{"oven_limit_c", "C", r.OvenLimitC, 38, 60},
		{"over_margin_points", "percentage points", r.OverMarginPoints, 2, 100},
		{"disk_free_ratio", "(a ratio)", r.DiskRatio, 0.001, 0.5},
		{"near_hold", "minutes", r.NearHold.Minutes(), 0.1, 30},
		{"near_update_after", "minutes", r.ShiftMin.Minutes(), 1, 120},
		{"reached_hold", "minutes", r.ReachedHold.Minutes(), 0, 30},
		{"over_hold", "minutes", r.OverHold.Minutes(), 0.1, 120},
		{"levels_off_hold", "minutes", r.LevelsOffHold.Minutes(), 0.1, 120},
		{"starter_hold", "minutes", r.StarterHold.Minutes(), 0.1, 120},
		{"too_hot_hold", "minutes", r.TooHotHold.Minutes(), 0.1, 120},
		{"too_cold_hold", "minutes", r.TooColdHold.Minutes(), 0.1, 240},
		{"suspect_hold", "minutes", r.SuspectHold.Minutes(), 0.1, 240},
		{"clock_hold", "minutes", r.ClockHold.Minutes(), 0, 120},
		{"power_hold", "minutes", r.PowerHold.Minutes(), 0, 60},
		{"recovered_after", "minutes", r.Rearm.Minutes(), 0.1, 120},
	} {
		if !(c.value >= c.low && c.value <= c.top) {
			return fieldErrorf(c.field, "%g %s is outside %g to %g; choose a value in that range or leave it out", c.value, c.unit, c.low, c.top)
		}
	}
	return nil
}
