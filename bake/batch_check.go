package bake

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// FieldError says which field is wrong, what was expected and what was found.
type FieldError struct {
	Field string // the key as the configuration spells it, e.g. "flours[0].grams"
	Said  Said
}

// Error gives the field and the sentence as key and values.
func (e FieldError) Error() string {
	return fmt.Sprintf("%s: %s %v", e.Field, e.Said.Key, e.Said.Values)
}

// Sentence returns the error as a sentence of the catalogue, without the field.
func (e FieldError) Sentence() (key string, values map[string]any) { return e.Said.Key, e.Said.Values }

// wrong returns a FieldError of a recipe or a feeding.
func wrong(field, key string, v Values) error {
	return FieldError{field, Said{"refused.batch." + key, v}}
}

// bare is a number as it stands in a file.
func bare(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// share is one figure of a dough in percent: a dough at all from least to most, a usual one
// from low to high. Common practice, no source.
type share struct {
	key, field                 string
	is, least, low, high, most float64
}

// shares are the figures that are checked.
func (n Numbers) shares() []share {
	return []share{
		{"hydration", "water_g", n.HydrationPercent, 35, 55, 90, 150},
		{"salt", "salt_g", n.SaltPercent, 0, 1.5, 2.5, 6},
		{"levain", "levain.grams", n.InoculationPercent, 0, 3, 30, 60},
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
			return wrong(x.field, x.key, Values{"least": bare(x.least), "most": bare(x.most), "found_tenth": x.is})
		}
	}
	return nil
}

// checkMasses checks every number on its own.
func (b Batch) checkMasses() error {
	if len(b.Flours) == 0 {
		return wrong("flours", "no_flour", nil)
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
		return wrong("levain.hydration_percent", "levain_water", Values{"found": bare(h)})
	}
	for i, n := range []int{b.Loaves, b.AtOnce} {
		if n < 0 || n > 1000 {
			return wrong([]string{"loaves", "at_once"}[i], "count", Values{"found": n})
		}
	}
	if !slices.Contains([]Ware{"", Pot, Tin, Stone, Tray}, b.BakeIn) {
		return wrong("bake_in", "bake_in", Values{"found": string(b.BakeIn)})
	}
	return b.checkInclusions()
}

// checkInclusions checks the extras.
func (b Batch) checkInclusions() error {
	for i, in := range b.Inclusions {
		if in.Name == "" {
			return wrong(fmt.Sprintf("inclusions[%d].name", i), "no_name", nil)
		}
		if err := grams(fmt.Sprintf("inclusions[%d].grams", i), in.Grams, true); err != nil {
			return err
		}
		if !(in.WaterG >= 0 && in.WaterG <= in.Grams) {
			return wrong(fmt.Sprintf("inclusions[%d].water_g", i), "inclusion_water", Values{"most": bare(in.Grams), "found": bare(in.WaterG)})
		}
	}
	return nil
}

// grams checks one mass.
func grams(field string, v float64, positive bool) error {
	switch found := (Values{"found": bare(v)}); {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return wrong(field, "not_number", found)
	case v < 0:
		return wrong(field, "below", found)
	case positive && v == 0:
		return wrong(field, "zero", nil)
	case v > 1e6:
		return wrong(field, "above", found)
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
