package bake

import "math"

// Kind is what a dough is to the one who bakes it.
type Kind string

// The kinds. A dough counts as rye from ryeRichPercent, as rich from richPercent.
const (
	Lean Kind = "lean"
	Rich Kind = "rich"
	Rye  Kind = "rye"
)

// Ware is what a dough bakes in or on.
type Ware string

// The wares. A batch that names none gets the usual one of its kind and mass.
const (
	Pot   Ware = "pot"
	Tin   Ware = "tin"
	Stone Ware = "stone" // with steam
	Tray  Ware = "tray"  // rolls, with steam
)

// Borders between the kinds. The share of rye from which a loaf rests longer than
// it cools, and the share of butter, egg and sugar from which a dough wants a
// gentler oven, percent of the flour. Common practice, no source.
const (
	ryeRichPercent = 60
	richPercent    = 10
	rollG          = 200 // a lighter piece is a roll
)

// Kind returns what the ingredients make of the dough. A third of the milk counts:
// the rest of it is water.
func (b Batch) Kind() Kind {
	counted := b.sum(fat|sugar|egg|milk) - 2.0/3*b.sum(liquid)
	switch {
	case b.ryePercent() >= ryeRichPercent:
		return Rye
	case counted > 0 && 100*counted >= richPercent*b.Numbers().FlourG:
		return Rich
	}
	return Lean
}

// Ware returns what the loaves bake in.
func (b Batch) Ware() Ware {
	switch {
	case b.BakeIn != "":
		return b.BakeIn
	case b.Numbers().PerLoafG < rollG:
		return Tray
	case b.Kind() == Lean:
		return Pot
	}
	return Tin
}

// Bakes returns how many times the oven is loaded: once, unless the batch says how
// many loaves go in at once.
func (b Batch) Bakes() int {
	if b.AtOnce == 0 {
		return 1
	}
	return max(1, (b.Loaves+b.AtOnce-1)/b.AtOnce)
}

// Core is how hot a loaf is inside when it is done, Celsius.
type Core struct {
	LowC  float64 `json:"low_c"`  // done from here
	BestC float64 `json:"best_c"` // best from here
	MostC float64 `json:"most_c"` // to here
}

// doneCore returns the core of a done loaf at an altitude in metres. Sources: lean
// crusty 93 to 98 C (200 to 208 F) and rich 85 to 91 C (185 to 195 F), A. Cohn,
// bread-bakers list, 2008. Best from 96 with a dark crust, rich loaves from 88 and
// soft rolls from 85, rye 97 to 99: common practice, no source. Water boils about
// 1 C lower per 300 m (from memory), and no crumb gets hotter.
func (b Batch) doneCore(altitudeM float64) Core {
	c := Core{LowC: 93, BestC: 96, MostC: 98}
	switch b.Kind() {
	case Rich:
		c = Core{LowC: 88, BestC: 88, MostC: 91}
		if b.Numbers().PerLoafG < rollG {
			c.LowC, c.BestC = 85, 85
		}
	case Rye:
		c = Core{LowC: 97, BestC: 97, MostC: 99}
	}
	boil := 100 - math.Max(0, altitudeM)/300
	c.LowC, c.BestC, c.MostC = math.Min(c.LowC, boil-3), math.Min(c.BestC, boil-2), math.Min(c.MostC, boil-1)
	return c
}

// Oven is how the loaves of a batch bake.
type Oven struct {
	Ware       Ware
	HeatMin    int // heating up
	HotC       float64
	ThenC      float64 // lowered to, once the loaf is in
	firstMin   int     // under the lid, with steam, or until the oven is lowered or the loaf covered
	openMin    int     // after that
	BetweenMin int     // heating up again between two bakes

	heat, in, open   string // keys of the words of its steps
	inWarn, openWarn []string
}

// bakeExponent is how baking and cooling grow with the mass of a piece: between
// 1/3 (heat through the surface alone) and 2/3 (conduction inside alone).
const bakeExponent = 0.45

// Oven returns how the batch bakes: temperatures and minutes by kind, ware and
// mass. The rows are for a piece of 750 g; common practice, no source.
func (b Batch) Oven() Oven {
	ware, kind := b.Ware(), b.Kind()
	o := Oven{Ware: ware, HeatMin: 45, HotC: 250, ThenC: 230, BetweenMin: 15, heat: "preheat", in: "in." + string(ware), open: "open." + string(ware),
		inWarn: []string{"hot", "smoke"}, openWarn: []string{"hot"}}
	total, least, first := 42.0, 15.0, 0.48 // minutes, and the share of the first part
	wet := []string{"steam", "limit", "glass", "smoke"}
	switch {
	case kind == Rich:
		o.HeatMin, o.HotC, o.ThenC, o.BetweenMin, o.in, o.open = 20, 180, 180, 5, "in.tin", "open.rich"
		total, first = 36, 0.6
		if ware == Tray {
			o.HotC, o.ThenC, first = 190, 190, 0.7
		}
	case kind == Rye:
		o.HeatMin, o.HotC, o.ThenC, o.BetweenMin, o.in, o.open = 40, 250, 190, 10, "in.rye", "open.rye"
		total, first = 53, 0.2
	case ware == Tray:
		o.HeatMin, o.HotC, o.ThenC, o.inWarn, o.openWarn, first = 30, 230, 220, wet, wet[:1], 0.5
	case ware == Tin:
		o.HeatMin, o.HotC, o.ThenC, first = 30, 230, 210, 0.6
	case ware == Stone:
		o.HotC, o.ThenC, o.heat, o.inWarn, o.openWarn, first = 250, 220, "preheat.stone", wet, wet[:1], 0.36
	default:
		o.heat, o.inWarn, o.openWarn = "preheat.pot", []string{"heat", "limit", "glass", "smoke"}, []string{"heat"}
	}
	g := b.Numbers().PerLoafG
	minutes := math.Max(least, total*math.Pow(math.Max(g, 30)/750, bakeExponent))
	o.firstMin = int(math.Round(first * minutes))
	o.openMin = int(math.Round(minutes)) - o.firstMin
	if o.Ware == Pot {
		o.HeatMin, o.openMin = 50, max(o.openMin, leastOpenMin)
	}
	return o
}

// leastOpenMin is how long a loaf bakes without its lid at least before a probe
// may call it done: the crumb is hot long before there is a crust.
const leastOpenMin = 10

// Minutes is how long a loaf is in the oven.
func (o Oven) Minutes() int { return o.firstMin + o.openMin }
