package bake

import (
	"fmt"
	"math"
	"slices"
)

// FieldError says which field is wrong, what was expected and what was found.
type FieldError struct {
	Field string // the key as the configuration spells it, e.g. "flours[0].grams"
	Msg   string
}

// Error gives the field and the message.
func (e FieldError) Error() string { return e.Field + ": " + e.Msg }

// span is a range of a figure, in percent.
type span struct{ low, high float64 }

func (s span) holds(v float64) bool { return v >= s.low && v <= s.high }

// limits are the bounds of what Validate takes for a dough at all, and the
// bounds outside which Warnings speaks up. Common practice, no source.
type limits struct{ possible, usual span }

func hydrationLimits() limits   { return limits{span{35, 150}, span{55, 90}} }
func saltLimits() limits        { return limits{span{0, 6}, span{1.5, 2.5}} }
func inoculationLimits() limits { return limits{span{0, 60}, span{3, 30}} }

// Validate refuses a batch that makes no sense. The first fault found is
// returned as a FieldError.
func (b Batch) Validate() error {
	if err := b.checkMasses(); err != nil {
		return err
	}
	n := b.numbers()
	for _, c := range []struct {
		field, what string
		value       float64
		lim         limits
	}{
		{"water_g", "the hydration with the levain counted", n.HydrationPercent, hydrationLimits()},
		{"salt_g", "the salt per flour", n.SaltPercent, saltLimits()},
		{"levain.grams", "the share of fermented flour", n.InoculationPercent, inoculationLimits()},
	} {
		if !c.lim.possible.holds(c.value) {
			return FieldError{c.field, fmt.Sprintf("%s must be %g to %g %%, found %.1f %%: check the masses",
				c.what, c.lim.possible.low, c.lim.possible.high, c.value)}
		}
	}
	return nil
}

// checkMasses checks every number on its own.
func (b Batch) checkMasses() error {
	if len(b.Flours) == 0 {
		return FieldError{"flours", "at least one flour is needed, found none"}
	}
	for i, f := range b.Flours {
		if err := grams(fmt.Sprintf("flours[%d].grams", i), f.Grams, true); err != nil {
			return err
		}
	}
	for _, m := range []struct {
		field string
		g     float64
	}{{"water_g", b.WaterG}, {"salt_g", b.SaltG}, {"levain.grams", b.Levain.Grams}} {
		if err := grams(m.field, m.g, false); err != nil {
			return err
		}
	}
	if h := b.Levain.HydrationPercent; b.Levain.Grams > 0 && !(h >= 40 && h <= 250) {
		return FieldError{"levain.hydration_percent", fmt.Sprintf("must be 40 to 250 %%, found %g: 100 means equal parts of flour and water", h)}
	}
	for i, n := range []int{b.Loaves, b.AtOnce} {
		if n < 0 || n > 1000 {
			return FieldError{[]string{"loaves", "at_once"}[i], fmt.Sprintf("must be 0 (not said) to 1000, found %d", n)}
		}
	}
	if !slices.Contains([]Ware{"", Pot, Tin, Stone, Tray}, b.BakeIn) {
		return FieldError{"bake_in", fmt.Sprintf("must be pot, tin, stone or tray, found %q", b.BakeIn)}
	}
	return b.checkInclusions()
}

// checkInclusions checks the extras.
func (b Batch) checkInclusions() error {
	for i, in := range b.Inclusions {
		if in.Name == "" {
			return FieldError{fmt.Sprintf("inclusions[%d].name", i), "a name is needed: allergens are told by it"}
		}
		if err := grams(fmt.Sprintf("inclusions[%d].grams", i), in.Grams, true); err != nil {
			return err
		}
		if !(in.WaterG >= 0 && in.WaterG <= in.Grams) {
			return FieldError{fmt.Sprintf("inclusions[%d].water_g", i), fmt.Sprintf("must be 0 to its own mass of %g g, found %g", in.Grams, in.WaterG)}
		}
	}
	return nil
}

// grams checks one mass.
func grams(field string, v float64, positive bool) error {
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return FieldError{field, "must be a number of grams, found " + fmt.Sprint(v)}
	case v < 0:
		return FieldError{field, fmt.Sprintf("a mass cannot be below 0 g, found %g", v)}
	case positive && v == 0:
		return FieldError{field, "must be above 0 g, found 0: leave the entry out instead"}
	case v > 1e6:
		return FieldError{field, fmt.Sprintf("must be at most 1000000 g, found %g: masses are in grams", v)}
	}
	return nil
}

// Warnings names what is possible but unusual, one sentence each. The usual
// ranges are common practice, no source.
func (b Batch) Warnings() []Said {
	n := b.numbers()
	var out []Said
	warn := func(what string, v float64, lim limits) {
		key := "batch." + what + ".low"
		if v > lim.usual.high {
			key = "batch." + what + ".high"
		}
		if !lim.usual.holds(v) {
			out = append(out, Said{key, Values{"is_tenth": v, "low_tenth": short(lim.usual.low), "high_tenth": short(lim.usual.high)}})
		}
	}
	warn("hydration", n.HydrationPercent, hydrationLimits())
	warn("salt", n.SaltPercent, saltLimits())
	warn("levain", n.InoculationPercent, inoculationLimits())
	if n.InclusionPercent > 40 {
		out = append(out, Said{"batch.inclusions", Values{"percent": n.InclusionPercent}})
	}
	return out
}

// short is a number without the decimal it does not need.
func short(x float64) any {
	if whole := int(x); float64(whole) == x {
		return whole
	}
	return x
}
