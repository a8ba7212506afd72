package bake

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// dough is a batch of one flour with what else goes in, of pieces of a weight.
func dough(flour string, pieces int, eachG float64, in ...Inclusion) Batch {
	b := Batch{Flours: []Flour{{Name: flour, Grams: 900}}, WaterG: 560, Levain: Levain{Grams: 200, HydrationPercent: 100},
		SaltG: 20, Inclusions: in}
	out, err := b.ScaleToLoaves(pieces, eachG)
	if err != nil {
		panic(err)
	}
	return out
}

func laid(p Process) []Step { return p.Steps(at(8, 0), unseen()) }

func brioche() Batch {
	return dough("Weizenmehl 550", 1, 800, Inclusion{Name: "Butter", Grams: 200}, Inclusion{Name: "Eier", Grams: 150}, Inclusion{Name: "Zucker", Grams: 80})
}

// Allergens are read from whole words, in both languages: the fourteen groups of
// Annex II of Regulation (EU) 1169/2011 (from memory).
func TestAllergensByName(t *testing.T) {
	for name, want := range map[string]string{
		"boiled potato": "", "olive oil": "", "Olivenöl": "", "eggplant": "", "butternut squash": "", "Muskatnuss": "", "nutmeg": "", "cocoa butter": "", "coconut milk": "",
		"oat milk": "gluten", "Buchweizenmehl": "", "Buchweizen": "", "buckwheat flour": "", "Reismehl": "", "rice": "",
		"whole milk": "milk", "Milch": "milk", "Buttermilch": "milk", "Butter": "milk", "Frischkäse": "milk", "milk powder": "milk",
		"almond milk": "nuts", "almond flour": "nuts", "Mandelmehl": "nuts", "Haselnüsse": "nuts", "Walnuts": "nuts", "Walnüsse": "nuts",
		"peanut butter": "peanut", "Erdnüsse": "peanut", "soya flour": "soya", "Sojamehl": "soya", "lupin flour": "lupin", "Süßlupinenmehl": "lupin",
		"Eier": "egg", "egg yolks": "egg", "Eigelb": "egg", "black sesame": "sesame", "Sesam": "sesame", "celeriac": "celery", "Senfkörner": "mustard",
		"anchovies": "fish", "Garnelen": "crustaceans", "mussels": "molluscs", "white wine": "sulphites", "barley malt": "gluten",
	} {
		b := Batch{Inclusions: []Inclusion{{Name: name, Grams: 10}}}
		assert.Equal(t, want, strings.Join(b.allergens(), ", "), name)
		assert.Empty(t, b.unknown(), name)
	}
	for _, name := range []string{"Roggen", "Roggenvollkornmehl", "dark rye", "spelt", "Dinkel 630", "Weizen", "strong white", "Kamut"} {
		assert.Equal(t, []string{"gluten"}, Batch{Flours: []Flour{{Name: name, Grams: 10}}}.allergens(), name)
	}
	assert.Empty(t, Batch{Flours: []Flour{{Name: "rice flour", Grams: 100}, {Name: "buckwheat", Grams: 10}}}.allergens())
	assert.Equal(t, []string{"nuts", "lupin"}, Batch{Flours: []Flour{{Name: "almond flour", Grams: 100}, {Name: "lupin", Grams: 10}}}.allergens())
}

// What is not known is asked about, and milk and egg are spoken of.
func TestCautionsOfABatch(t *testing.T) {
	assert.Contains(t, words(dough("wheat", 1, 800, Inclusion{Name: "mystery mix", Grams: 30}).Cautions()...), `"mystery mix" is not known here: what is it made of`)
	assert.Contains(t, words(brioche().Cautions()...), "2 hours in all between 4 and 60 °C")
	assert.NotContains(t, words(dough("wheat", 1, 800, Inclusion{Name: "butter", Grams: 30}).Cautions()...), "2 hours")
	assert.NotContains(t, words(DefaultBatch().Cautions()...), "2 hours")
}

// How a dough bakes: a rich one in a tin at 175 to 190 C for 30 to 40 minutes and a
// cover when brown, one rich in rye in a falling oven without folds, a lean one in
// a hot pot. Common practice, no source.
func TestKindsOfDough(t *testing.T) {
	rich := brioche()
	assert.Equal(t, Rich, rich.Kind())
	o := rich.Oven()
	assert.Equal(t, Tin, o.Ware)
	assert.GreaterOrEqual(t, o.HotC, 175.0)
	assert.LessOrEqual(t, o.HotC, 190.0)
	assert.True(t, o.Minutes() >= 30 && o.Minutes() <= 40, "%d min", o.Minutes())
	steps := laid(NewProcess(rich, start(), 24))
	assert.Contains(t, words(pick(t, steps, UncoverID).Do), "foil once it is brown")
	assert.Contains(t, words(pick(t, steps, UncoverID).Do), "88 °C to 91 °C")
	assert.NotContains(t, words(pick(t, steps, PreheatID).Do), "pot")

	rye := dough("Roggenvollkornmehl", 1, 1000)
	assert.Equal(t, Rye, rye.Kind())
	p := NewProcess(rye, start(), 24)
	for _, d := range p.Defs {
		assert.NotContains(t, d.ID, "fold", "a paste is not folded")
	}
	steps = p.Steps(at(8, 0), unseen())
	assert.Contains(t, words(pick(t, steps, ShapeID).Do), "Wet hands")
	bulk := pick(t, steps, BulkID)
	assert.Contains(t, words(bulk.Do), "40 %")
	assert.Less(t, bulk.At.Sub(start()), 5*time.Hour)
	o = rye.Oven()
	assert.Greater(t, o.HotC, o.ThenC+40, "a falling oven")
	assert.GreaterOrEqual(t, pick(t, steps, SliceID).At.Sub(pick(t, steps, OutID).At), 23*time.Hour, "it rests a day")
	assert.Equal(t, Lean, dough("wheat", 1, 800, Inclusion{Name: "boiled potato", Grams: 300}).Kind(), "a potato is no oil")

	rolls := dough("wheat", 20, 85)
	o = rolls.Oven()
	assert.Equal(t, Tray, o.Ware)
	assert.True(t, o.Minutes() >= 15 && o.Minutes() <= 20, "%d min", o.Minutes())
	assert.Equal(t, 1, rolls.Bakes())
}

// Times go with the mass, without a jump.
func TestTimesByMass(t *testing.T) {
	before := Oven{}
	for g := 60.0; g < 1600; g += 20 {
		o := dough("wheat", 1, g).Oven()
		if before.Ware == o.Ware {
			assert.GreaterOrEqual(t, o.Minutes(), before.Minutes(), "%g g", g)
			assert.LessOrEqual(t, o.Minutes()-before.Minutes(), 2, "%g g", g)
		}
		before = o
		a, b := dough("wheat", 1, g).Cooling(), dough("wheat", 1, g+1).Cooling()
		assert.True(t, b.MidMin >= a.MidMin && b.MidMin-a.MidMin <= 2, "cooling jumps at %g g", g)
	}
	for g, want := range map[float64][2]int{500: {32, 40}, 900: {42, 50}, 1500: {52, 65}} { // common practice, no source
		m := dough("wheat", 1, g).Oven().Minutes()
		assert.True(t, m >= want[0] && m <= want[1], "%g g: %d min", g, m)
	}
	b := brioche() // a tin of rich dough takes 30 to 40 min: common practice, no source
	for g := 500.0; g <= 930; g += 43 {
		tin, err := b.ScaleToLoaves(1, g)
		require.NoError(t, err)
		steps := laid(NewProcess(tin, start(), 24))
		in := pick(t, steps, OutID).At.Sub(pick(t, steps, BakeID).At).Minutes()
		assert.True(t, in >= 30 && in <= 40, "%g g: %g min", g, in)
	}
}

// Cooling at home: rolls and baguettes 30 to 60 min, pan loaves 1 to 2 h, large
// crusty loaves 2 to 3 h (cookware maker's guide); rye-rich loaves a day or more
// (bakers' forum).
func TestCoolingByMass(t *testing.T) {
	for _, c := range []struct {
		flour     string
		ware      Ware
		g         float64
		low, high int
	}{{"wheat", "", 80, 30, 60}, {"wheat", Tin, 500, 60, 120}, {"wheat", Tin, 900, 60, 120}, {"wheat", Pot, 900, 120, 180},
		{"wheat", Pot, 1500, 120, 180}, {"whole rye", "", 900, 720, 2160}} {
		b := dough(c.flour, 1, c.g)
		b.BakeIn = c.ware
		s := b.Cooling()
		assert.True(t, s.MidMin >= c.low && s.MidMin <= c.high, "%g g: %d min", c.g, s.MidMin)
		assert.LessOrEqual(t, s.LowMin, s.MidMin)
		assert.LessOrEqual(t, s.MidMin, s.HighMin)
	}
}

// Core of a done loaf: lean 93 to 98 C (200 to 208 F), rich 85 to 91 C (A. Cohn,
// bread-bakers list, 2008); rye 97 to 99, lean best from 96: common practice. At
// 1500 m 208 F is out of reach (1 C per 300 m, from memory).
func TestDoneCore(t *testing.T) {
	assert.Equal(t, Core{LowC: 93, BestC: 96, MostC: 98}, DefaultBatch().doneCore(0))
	assert.Equal(t, Core{LowC: 88, BestC: 88, MostC: 91}, brioche().doneCore(0))
	buns := brioche()
	buns.Loaves = 10
	assert.Equal(t, Core{LowC: 85, BestC: 85, MostC: 91}, buns.doneCore(0))
	assert.Equal(t, Core{LowC: 97, BestC: 97, MostC: 99}, dough("rye", 1, 900).doneCore(0))
	high := DefaultBatch().doneCore(1500)
	assert.Less(t, high.MostC, celsius(208))
	assert.LessOrEqual(t, high.LowC, high.BestC)
}

// Three loaves and one pot are three bakes; the others wait in the refrigerator.
func TestSeveralBakes(t *testing.T) {
	b := DefaultBatch()
	b.AtOnce = 1
	assert.Equal(t, 3, b.Bakes())
	p := NewProcess(b, start(), 24)
	steps := p.Steps(at(8, 0), unseen())
	first, second, last := pick(t, steps, BakeID), pick(t, steps, BakeID+"-2"), pick(t, steps, OutID+"-3")
	each := time.Duration(b.Oven().Minutes()) * time.Minute
	assert.Equal(t, each, pick(t, steps, OutID).At.Sub(first.At), "as long in the steps as in the table")
	assert.GreaterOrEqual(t, second.At.Sub(first.At), each+15*time.Minute)
	assert.True(t, pick(t, steps, "wait-cold").At.Before(first.At))
	assert.Contains(t, words(pick(t, steps, "wait-cold").Do), "takes 1 at a time")
	assert.Contains(t, words(pick(t, steps, "wait-cold").Do), "Where it has no room", "nobody said whether it has")
	assert.True(t, pick(t, steps, SliceID).At.After(last.At))
	b.AtOnce = 2
	assert.Equal(t, 2, b.Bakes())
	b.AtOnce = 0
	assert.Equal(t, 1, b.Bakes(), "all at once when nobody says")
}

// What burns and what bursts is said where it happens.
func TestCautionsOfTheOven(t *testing.T) {
	for ware, want := range map[Ware][]string{
		Pot:   {"by the paper", "Lid knobs and baking paper", "No water on hot glass", "door shut"},
		Stone: {"Steam scalds", "No water on hot glass", "door shut"},
	} {
		b := DefaultBatch()
		b.BakeIn = ware
		s := pick(t, laid(NewProcess(b, start(), 24)), BakeID)
		for _, text := range want {
			assert.Contains(t, words(append(Sentences{s.Do}, s.Caution...)...), text, ware)
		}
	}
	proof := pick(t, laid(NewProcess(DefaultBatch(), start(), 24)), ProofID)
	assert.Contains(t, words(proof.Do), "as warm as the room", "a cold dough does not spring back")
}

// The names are looked up by halves: each finds its own row.
func TestIngredientsAreSorted(t *testing.T) {
	n := 0
	for row := range strings.Lines(ingredients) {
		if name, _, found := strings.Cut(row, ": "); found && row[0] != '#' {
			have, _ := propertiesOfName(name)
			assert.NotZero(t, have, name)
			n++
		}
	}
	assert.Greater(t, n, 300)
}
