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

// share is one figure of a dough in percent: a dough at all from least to most, a usual one
// from low to high. Common practice, no source.
type share struct {
	key, field, what           string
	is, least, low, high, most float64
}

// shares are the figures that are checked.
func (n Numbers) shares() []share {
	return []share{
		{"hydration", "water_g", "the hydration with the levain counted", n.HydrationPercent, 35, 55, 90, 150},
		{"salt", "salt_g", "the salt per flour", n.SaltPercent, 0, 1.5, 2.5, 6},
		{"levain", "levain.grams", "the share of fermented flour", n.InoculationPercent, 0, 3, 30, 60},
	}
}

// Validate refuses a batch that makes no sense. The first fault found is
// returned as a FieldError.
func (b Batch) Validate() error {
	if err := b.checkMasses(); err != nil {
		return err
	}
	for _, x := range b.numbers().shares() {
		if !(x.is >= x.least && x.is <= x.most) {
			return FieldError{x.field, fmt.Sprintf("%s must be %g to %g %%, found %.1f %%: check the masses", x.what, x.least, x.most, x.is)}
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
	for _, x := range n.shares() {
		v := Values{"is_tenth": x.is, "low_tenth": short(x.low), "high_tenth": short(x.high)}
		switch {
		case x.is < x.low:
			out = append(out, Said{"batch." + x.key + ".low", v})
		case x.is > x.high:
			out = append(out, Said{"batch." + x.key + ".high", v})
		}
	}
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
