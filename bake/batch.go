package bake

import "math"

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

// Numbers works out the figures of the batch. It returns the error of Validate
// when the batch makes no sense.
func (b Batch) Numbers() (Numbers, error) {
	if err := b.Validate(); err != nil {
		return Numbers{}, err
	}
	return b.numbers(), nil
}

// numbers works out the figures of a batch that is known to be valid.
func (b Batch) numbers() Numbers {
	added, whole := b.addedFlour()
	extra, extraWater := b.extras()
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

// extras sums the inclusions and the water they bring, grams.
func (b Batch) extras() (grams, waterG float64) {
	for _, in := range b.Inclusions {
		grams += in.Grams
		waterG += in.WaterG
	}
	return grams, waterG
}

// Scale multiplies every mass by factor and keeps the number of loaves.
func (b Batch) Scale(factor float64) Batch {
	out := b
	out.WaterG *= factor
	out.SaltG *= factor
	out.Levain.Grams *= factor
	out.Flours = make([]Flour, len(b.Flours))
	for i, f := range b.Flours {
		f.Grams *= factor
		out.Flours[i] = f
	}
	out.Inclusions = make([]Inclusion, len(b.Inclusions))
	for i, in := range b.Inclusions {
		in.Grams *= factor
		in.WaterG *= factor
		out.Inclusions[i] = in
	}
	return out
}

// ScaleToLoaves gives the batch for a number of loaves of a dough weight each
// (grams, before baking).
func (b Batch) ScaleToLoaves(loaves int, eachG float64) (Batch, error) {
	n, err := b.Numbers()
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
	n, err := b.Numbers()
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
	n, err := b.Numbers()
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
