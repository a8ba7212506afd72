package bake

// Values are what a sentence puts into its placeholders, by name: numbers, times, texts
// and other sentences. How a number is written hangs on the end of its name: _c Celsius,
// _min minutes, _h hours, _g grams, _percent.
type Values = map[string]any

// Said is a sentence: its key in the catalogue, and what it puts in. The zero Said says
// nothing.
type Said struct {
	Key    string `json:"key"`
	Values Values `json:"values,omitempty"`
}

// Sentences are said one after the other.
type Sentences []Said

// say lists sentences that put nothing in.
func say(keys ...string) Sentences {
	out := make(Sentences, len(keys))
	for i, k := range keys {
		out[i].Key = k
	}
	return out
}

// cautions lists cautions by their short keys, as a StepDef has them.
func cautions(keys ...string) Sentences {
	out := say(keys...)
	for i := range out {
		out[i].Key = "caution." + out[i].Key
	}
	return out
}
