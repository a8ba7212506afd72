package bake

import (
	"fmt"
	"math"
	"regexp"
	"strings"
)

// Values are the numbers of a sentence by the name of its placeholder. The end of
// a name is its unit: _c Celsius, _min minutes, _h hours, _g grams, _percent.
type Values map[string]float64

// stepText is the English name of a step and what to do, by the key of the step.
// Whoever speaks another language renders Key, Values and Warn of a Step.
type stepText struct{ name, do string }

// stepTexts are the words of the steps, one place for them all.
func stepTexts() map[string]stepText {
	const signs = "domed, with bubbles at the wall, wobbling when the tub is nudged and letting go of its edge"
	return map[string]stepText{
		"mix":           {"mix", "Mix flour and water until no dry flour is left, then work in the levain."},
		"mix.water":     {"mix", "Mix the flour with {water_g} of water at {water_c}, for a dough of {dough_c}; then work in the levain."},
		"mix.ice":       {"mix", "Mix the flour with {water_g} of the coldest water, {ice_g} of it as ice, for a dough of {dough_c}; when the ice has melted work in the levain."},
		"mix.rye":       {"mix", "Stir flour, water, levain and salt to a paste with a wet hand or a spoon: rye is not kneaded."},
		"mix.milk":      {"mix", "Mix the flour with the milk and {water_g} of water, both at {water_c}, for a dough of {dough_c}; then work in the levain."},
		"mix.rye.water": {"mix", "Stir flour, {water_g} of water at {water_c}, levain and salt to a paste of {dough_c} with a wet hand or a spoon: rye is not kneaded."},
		"rest":          {"rest", "Leave it covered."},
		"salt":          {"salt", "Work in the salt, put the dough into the tub and start the rise."},
		"salt.rich":     {"salt and butter", "Work in the salt and what the dough has of sugar and egg, then the soft butter bit by bit, until the dough pulls a thin skin; put it into the tub and start the rise."},
		"salt.rye":      {"into the tub", "Put the paste into the tub, smooth it with a wet hand and start the rise."},

		"fold":            {"fold", "Wet hands; stretch each side up and fold it over."},
		"fold.inclusions": {"fold", "Wet hands; spread seeds, nuts or fruit over the dough, stretch each side up and fold it over."},
		"bulk":            {"bulk ends", "Leave the dough until it reaches its target: " + signs + "."},
		"bulk.percent":    {"bulk ends", "Leave the dough until it has risen by {rise_percent}: " + signs + "."},
		"bulk.rye":        {"bulk ends", "Leave the dough until it has risen by {rise_percent} and pinholes show on top: rye falls when it is left for more."},
		"bulk.cold":       {"tub into the fridge", "Put the covered tub into the refrigerator when the dough has risen by {rise_percent}: it goes on rising there."},
		"tub.cold":        {"bulk goes on in the cold", "Leave the tub in the refrigerator, covered."},
		"divide.cold":     {"tub out, divide", "Take the tub out, turn the cold dough out, divide it and round the pieces; it is shaped cold."},
		"divide":          {"divide", "Turn the dough out, divide it and round the pieces."},
		"divide.one":      {"round", "Turn the dough out and round it."},
		"bench-rest":      {"bench rest", "Leave it covered."},
		"shape":           {"shape", "Shape the loaves and lay them into floured baskets, seam up."},
		"shape.tin":       {"shape", "Shape the loaves and lay them into greased tins, seam down."},
		"shape.tray":      {"shape", "Shape the rolls and set them on paper on the tray, seam down."},
		"shape.rye":       {"shape", "Wet hands: smooth the paste into the tin or a well floured basket."},
		"wait-cold":       {"others into the fridge", "The oven takes {at_once} at a time: put the other loaves into the refrigerator now, each goes from there into the oven."},

		"proof":      {"final proof ends", "Proof in the basket until it has grown by about half or, with dough as warm as the room, until a floured finger's dent fills back slowly."},
		"proof.due":  {"final proof ends", "With a loaf as warm as the room press a floured finger in: when the dent fills back slowly, the loaf goes into the oven."},
		"proof.tin":  {"final proof ends", "Proof until the dough is puffy and near the rim of its tin, wobbling when it is moved."},
		"proof.tray": {"final proof ends", "Proof under a cloth until the rolls are puffy and wobble when the tray is moved."},
		"proof.rye":  {"final proof ends", "Proof until pinholes and first cracks show in the floured top."},
		"retard":     {"into the fridge", "Put what is shaped into the refrigerator at once, covered; 0 to 5 °C keeps it up to 48 hours, and it goes from there into the hot oven. A cold dough does not spring back under a finger: go by the clock."}, // IREKS Kompendium, 6.3.4

		"oven-check":    {"look into the oven", "Open the oven and take out whatever is in it before anyone turns it on."},
		"preheat":       {"preheat", "Turn the oven to {hot_c}."},
		"preheat.pot":   {"preheat", "Turn the oven to {hot_c} with the empty pot and its lid inside."},
		"preheat.stone": {"preheat", "Turn the oven to {hot_c} with the stone on a low rack and an empty steel tray under it."},
		"in.pot":        {"into the oven, covered", "Turn the loaf out onto paper, score it, lower it by the paper into the hot pot, cover it and turn the oven to {then_c}."},
		"in.tin":        {"into the oven", "Put it into the oven at {then_c}."},
		"in.rye":        {"into the oven", "Put it into the hot oven."},
		"in.stone":      {"into the oven, with steam", "Turn the loaf out onto paper, score it, slide it onto the stone, pour a cup of boiling water into the steel tray, close the door and turn the oven to {then_c}."},
		"in.tray":       {"into the oven, with steam", "Spray the rolls with water, slide the tray in and turn the oven to {then_c}."},
		"open.pot":      {"lid off", "Take the lid off and bake until dark: done inside from {low_c}, best at {best_c} to {most_c} with a dark crust and a hollow sound when tapped below. For a crisper crust leave the door open a crack for the last 5 minutes."},
		"open.rich":     {"look: cover it when brown", "Cover the loaf loosely with foil once it is brown: butter, egg and sugar brown long before the crumb is done. It is done inside at {low_c} to {most_c}."},
		"open.tray":     {"let the steam out", "Open the door for a moment, then bake until brown: done inside from {low_c}."},
		"open.stone":    {"let the steam out", "Take the steel tray out and bake until dark: done inside from {low_c}, best at {best_c} to {most_c} with a dark crust. For a crisper crust leave the door open a crack for the last 5 minutes."},
		"open.rye":      {"lower the oven", "Turn the oven to {then_c} and bake on: done inside at {low_c} to {most_c}."},
		"open.tin":      {"let the steam out", "Open the door for a moment and bake on: done inside from {low_c}, best at {best_c} to {most_c}."},
		"out":           {"take out", "Take the bread out and set it on a rack; turn the oven off if no other goes in."},
		"out.next":      {"take out", "Take the bread out and set it on a rack; heat the oven up again for the next."},
		"out.next.pot":  {"take out", "Take the bread out and set it on a rack; put the empty pot and its lid back and heat the oven up again for the next loaf, out of the refrigerator."},
		"cool":          {"cooling begins", "Leave it uncovered on a rack until none of it is warm to the hand."},
		"cool.rye":      {"resting begins", "Set the loaf on a rack; when it is cold wrap it in a cloth. Loaves rich in rye rest a day or more before the knife."},
		"slice":         {"slice", "Cool enough to slice."},
		"slice.rye":     {"slice", "Rested long enough to slice."},

		"feed":    {"feed the levain", "Feed {starter_g} of starter with {flour_g} of flour and {water_g} of water; it should peak about when the dough is mixed."},
		"refresh": {"refresh the starter", "Feed {starter_g} of starter with {flour_g} of flour and {water_g} of water: after its time in the cold it works slowly at first."},
		"ripen":   {"levain ripens", "Leave the levain covered until its peak: domed or just flattening, full of bubbles."},
	}
}

// warnings are the cautions that steps show, in the project's words.
func warnings() map[string]string {
	return map[string]string{
		"flour": "Raw flour may carry germs such as E. coli or Salmonella: do not taste the dough, and wash hands, tools and the probe.",
		"heat":  "The pot and its lid are as hot as the oven: dry gloves, and steam rises when the lid comes off, so open it away from your face.",
		"limit": "Lid knobs and baking paper have limits of their own: read what is printed on them, and let no paper hang over the rim.",
		"glass": "No water on hot glass, oven door and lamp included; do not put hot glass on a wet or cold surface, and no cold glass into a hot oven: it can burst.",
		"steam": "Steam scalds: pour with a long arm and a dry glove, face away, and let the first cloud out before you reach in.",
		"oven":  "Dough, cloth, plastic or a sensor left inside will melt or burn.",
		"smoke": "Smoke or flame: keep the door shut, turn the oven off, get everybody out and call the fire service; local fire advice comes first.",
		"probe": "The sensors are for proofing only: none of them goes into the hot oven. Only a probe made for it, cable and all, stays in a loaf that bakes.",
		"loaf":  "Loaf, rack and pot are hot for a long while: dry gloves, and set the pot where nobody reaches for it.",
		"cold":  "Keep the refrigerator at 5 °C or below.",
		"jar":   "Leave the lid loose: a fermenting jar closed tight can burst.",
		"mould": "Mould, or any pink or orange streak: throw it all away, wash the jar hot, start from a clean source. Do not sniff it.",
	}
}

// Words are the English of every step and caution by the key under which a
// catalogue has them: "step.KEY.name", "step.KEY.do", "caution.KEY".
func Words() map[string]string {
	out := map[string]string{}
	for k, t := range stepTexts() {
		out["step."+k+".name"], out["step."+k+".do"] = t.name, t.do
	}
	for k, t := range warnings() {
		out["caution."+k] = t
	}
	return out
}

// Warning returns the English of cautions by their keys, as a Step has them.
func Warning(keys ...string) string { return warn(keys...) }

// warn joins the cautions of some keys.
func warn(keys ...string) string {
	var out []string
	for _, k := range keys {
		out = append(out, warnings()[k])
	}
	return strings.Join(out, " ")
}

var placeholder = regexp.MustCompile(`\{[a-z_]+\}`)

// filled puts values into a sentence, with their units.
func filled(text string, v Values) string {
	return placeholder.ReplaceAllStringFunc(text, func(p string) string {
		name := strings.Trim(p, "{}")
		x, ok := v[name]
		if !ok {
			return p
		}
		switch name[strings.LastIndex(name, "_")+1:] {
		case "c":
			return fmt.Sprintf("%.0f °C", x)
		case "g":
			return fmt.Sprintf("%.0f g", x)
		case "percent":
			return fmt.Sprintf("%.0f %%", x)
		}
		return fmt.Sprint(math.Round(10*x) / 10)
	})
}

// worded fills in the English of a step from its key.
func (d StepDef) worded() StepDef {
	t := stepTexts()[d.Key]
	d.Name, d.Do, d.Caution = t.name, filled(t.do, d.Values), warn(d.Warn...)
	return d
}
