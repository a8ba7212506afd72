package bake

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Batch is one dough by mass. All masses are grams. The levain's own flour and
// water count in every percentage, as is usual in the trade.
type Batch struct {
	Name       string      `yaml:"name" json:"name"`
	Flours     []Flour     `yaml:"flours" json:"flours"`
	WaterG     float64     `yaml:"water_g" json:"water_g"`
	Levain     Levain      `yaml:"levain" json:"levain"`
	SaltG      float64     `yaml:"salt_g" json:"salt_g"`
	Inclusions []Inclusion `yaml:"inclusions" json:"inclusions,omitempty"`
	Loaves     int         `yaml:"loaves" json:"loaves"`
	BakeIn     Ware        `yaml:"bake_in" json:"bake_in,omitempty"` // empty: the usual one
	AtOnce     int         `yaml:"at_once" json:"at_once,omitempty"` // loaves in one bake; 0 counts as all
}

// Flour is one flour of the batch.
type Flour struct {
	Name  string  `yaml:"name" json:"name"`
	Grams float64 `yaml:"grams" json:"grams"`
	Whole bool    `yaml:"whole" json:"whole,omitempty"` // whole grain: ferments faster
}

// Levain is the ripe starter that goes into the dough.
type Levain struct {
	Grams            float64 `yaml:"grams" json:"grams"`
	HydrationPercent float64 `yaml:"hydration_percent" json:"hydration_percent"` // water per flour; 100 = equal parts
}

// Inclusion is anything else in the dough: seeds, nuts, fruit, oil, milk.
type Inclusion struct {
	Name   string  `yaml:"name" json:"name"`
	Grams  float64 `yaml:"grams" json:"grams"`
	WaterG float64 `yaml:"water_g" json:"water_g,omitempty"` // water it brings into the dough, e.g. a soaker
}

// DefaultBatch is the batch of the default bread: three loaves of our own
// invention, 74 % hydration, 10 % of the flour fermented, 2 % salt.
func DefaultBatch() Batch {
	return Batch{
		Name:   "Harbour loaf",
		Flours: []Flour{{Name: "strong white wheat", Grams: 720}, {Name: "whole rye", Grams: 180, Whole: true}},
		WaterG: 640, Levain: Levain{Grams: 200, HydrationPercent: 100}, SaltG: 20, Loaves: 3,
	}
}

// Numbers are the figures of a batch, in baker's percentages of all flour.
type Numbers struct {
	FlourG, WaterG float64 // with the levain's share
	TotalG         float64
	PerLoafG       float64 // TotalG when the number of loaves is not given

	HydrationPercent   float64 // all water per all flour
	InoculationPercent float64 // fermented flour per all flour
	SaltPercent        float64
	InclusionPercent   float64
	WholePercent       float64 // whole-grain share of the flour added at mixing

	StartVolumeL float64 // expected volume right after mixing
}

// specificVolumeLPerKg is the volume of a kilogram of dough right after
// mixing: 0.85 mL/g, a density of 1.18 g/mL.
// Source: Handbook on Sourdough Biotechnology, Table 3.4.
const specificVolumeLPerKg = 0.85

// flourG is the levain's flour in grams.
func (l Levain) flourG() float64 { return l.Grams / (1 + l.HydrationPercent/100) }

// waterG is the levain's water in grams.
func (l Levain) waterG() float64 { return l.Grams - l.flourG() }

// Numbers works out the figures of a batch, which must be valid.
func (b Batch) Numbers() Numbers {
	added, whole := b.addedFlour()
	extra, extraWater := 0.0, 0.0
	for _, in := range b.Inclusions {
		extra, extraWater = extra+in.Grams, extraWater+in.WaterG
	}
	n := Numbers{
		FlourG: added + b.Levain.flourG(),
		WaterG: b.WaterG + b.Levain.waterG() + extraWater,
		TotalG: added + b.WaterG + b.Levain.Grams + b.SaltG + extra,
	}
	n.PerLoafG = n.TotalG / math.Max(1, float64(b.Loaves))
	n.HydrationPercent = 100 * n.WaterG / n.FlourG
	n.InoculationPercent = 100 * b.Levain.flourG() / n.FlourG
	n.SaltPercent = 100 * b.SaltG / n.FlourG
	n.InclusionPercent = 100 * extra / n.FlourG
	n.WholePercent = 100 * whole / added
	n.StartVolumeL = n.TotalG / 1000 * specificVolumeLPerKg
	return n
}

// AddedFlourG is the flour added at mixing, grams.
func (b Batch) AddedFlourG() float64 {
	all, _ := b.addedFlour()
	return all
}

// addedFlour sums the flour added at mixing and its whole-grain part, grams.
func (b Batch) addedFlour() (all, whole float64) {
	for _, f := range b.Flours {
		all += f.Grams
		if f.Whole {
			whole += f.Grams
		}
	}
	return all, whole
}

// Scale multiplies every mass by factor and keeps the number of loaves.
func (b Batch) Scale(factor float64) Batch {
	b.WaterG *= factor
	b.SaltG *= factor
	b.Levain.Grams *= factor
	b.Flours, b.Inclusions = slices.Clone(b.Flours), slices.Clone(b.Inclusions)
	for i := range b.Flours {
		b.Flours[i].Grams *= factor
	}
	for i := range b.Inclusions {
		b.Inclusions[i].Grams *= factor
		b.Inclusions[i].WaterG *= factor
	}
	return b
}

// ScaleToLoaves gives the batch for a number of loaves of a dough weight each
// (grams, before baking).
func (b Batch) ScaleToLoaves(loaves int, eachG float64) (Batch, error) {
	n, err := b.Numbers(), b.Validate()
	if err != nil {
		return Batch{}, err
	}
	if loaves < 1 {
		return Batch{}, wrong("loaves", "few", Values{"found": loaves})
	}
	if !(eachG > 0) {
		return Batch{}, wrong("each_g", "each", Values{"found": bare(eachG)})
	}
	out := b.Scale(float64(loaves) * eachG / n.TotalG)
	out.Loaves = loaves
	return out, nil
}

// ScaleToTub gives the largest batch whose dough, risen by risePercent, still
// fits a tub of tubL litres with headroom left (ratio 0..1 of the tub).
func (b Batch) ScaleToTub(tubL, risePercent, headroom float64) (Batch, error) {
	n, err := b.Numbers(), b.Validate()
	if err != nil {
		return Batch{}, err
	}
	if !(tubL > 0) {
		return Batch{}, wrong("tub_l", "tub", Values{"found": bare(tubL)})
	}
	risenL := n.StartVolumeL * (1 + risePercent/100)
	return b.Scale(tubL * (1 - headroom) / risenL), nil
}

// WithInoculation returns the same dough (flour, water, salt in total) with
// another share of fermented flour. The change is taken from the first flour
// and the water.
func (b Batch) WithInoculation(percent float64) (Batch, error) {
	n, err := b.Numbers(), b.Validate()
	if err != nil {
		return Batch{}, err
	}
	fermented := n.FlourG * percent / 100
	levain := b.Levain
	levain.Grams = fermented * (1 + levain.HydrationPercent/100)
	out := b.Scale(1)
	out.Flours[0].Grams += b.Levain.flourG() - levain.flourG()
	out.WaterG += b.Levain.waterG() - levain.waterG()
	out.Levain = levain
	return out, out.Validate()
}

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
	for _, x := range b.Numbers().shares() {
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
	n := b.Numbers()
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
