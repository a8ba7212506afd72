package bake

import (
	_ "embed"
	"math"
	"slices"
	"strings"
	"unicode"
)

// property is what an ingredient brings to the dough, told by its name.
type property uint32

// The first fourteen are the groups of Annex II of Regulation (EU) 1169/2011
// (from memory); they hold the nine major allergens of the United States (FASTER
// Act 2021, from memory) as well.
const (
	gluten property = 1 << iota
	crustaceans
	egg
	fish
	peanut
	soya
	milk
	nuts
	celery
	mustard
	sesame
	sulphites
	lupin
	molluscs

	rye
	fat
	sugar
	liquid // milk, cream: mostly water
	spoils // milk, egg, meat, fish: time in the warm counts
	yeast  // baker's yeast
	plain  // known, and nothing of the above
)

// properties are the names of the properties, the groups of allergens first.
const (
	propertyNames = "gluten crustaceans egg fish peanut soya milk nuts celery mustard sesame sulphites lupin molluscs rye fat sugar liquid spoils yeast plain"
	allergenCount = 14
)

// ingredients are the names of ingredients with what they bring, sorted.
//
//go:embed ingredients.txt
var ingredients string

// propertiesOfName returns what a name brings; 0 when it is not known. compound says that
// German puts it at either end of longer words.
func propertiesOfName(name string) (t property, compound bool) {
	for rows := ingredients; rows != ""; {
		start := strings.LastIndexByte(rows[:len(rows)/2], '\n') + 1
		end := start + strings.IndexByte(rows[start:], '\n') + 1
		switch row, brings, _ := strings.Cut(rows[start:end], ": "); {
		case row < name:
			rows = rows[end:]
		case row > name:
			rows = rows[:start]
		default:
			words := strings.Fields(brings)
			for i, p := range strings.Fields(propertyNames) {
				if slices.Contains(words, p) {
					t |= 1 << i
				}
			}
			return t, slices.Contains(words, "+")
		}
	}
	return 0, false
}

// propertiesOf reads a name: whole words, and two or three words before their parts, for
// almond milk is no milk; German compounds by either end. ok is false when no word of it
// is known.
func propertiesOf(name string) (out property, ok bool) {
	words := strings.FieldsFunc(plainLetters(name), func(r rune) bool { return !unicode.IsLetter(r) })
	for len(words) > 0 {
		n := min(3, len(words))
		for ; n > 1; n-- {
			if t, _ := propertiesOfName(strings.Join(words[:n], " ")); t != 0 {
				out |= t
				break
			}
		}
		if n == 1 {
			out |= propertiesOfWord(words[0])
		}
		words = words[n:]
	}
	if out&(milk|spoils) == milk|spoils && out&fat == 0 {
		out |= liquid
	}
	return out, out != 0
}

// propertiesOfWord looks one word up: as it stands, in the plural, then as a compound.
func propertiesOfWord(word string) (out property) {
	for _, end := range []string{"", "s", "es", "n"} {
		t, _ := propertiesOfName(strings.TrimSuffix(word, end))
		out |= t
	}
	if out != 0 {
		return out
	}
	// The longest ends win: Buchweizen is no Weizen.
	for cut := 1; cut < len(word) && out == 0; cut++ {
		if t, compound := propertiesOfName(word[cut:]); compound {
			out = t
		}
	}
	for end := len(word) - 1; end >= 4; end-- {
		if t, compound := propertiesOfName(word[:end]); compound {
			return out | t
		}
	}
	return out
}

// plainLetters is a text in small letters without umlauts and accents.
func plainLetters(s string) string {
	return strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "é", "e", "è", "e", "ê", "e", "î", "i", "ç", "c", "ñ", "n").Replace(strings.ToLower(s))
}

// sum adds up what the batch holds of ingredients with any of the properties, grams.
func (b Batch) sum(t property) float64 {
	out := 0.0
	for _, in := range b.Inclusions {
		if have, _ := propertiesOf(in.Name); have&t != 0 {
			out += in.Grams
		}
	}
	return out
}

// properties are those of all ingredients. A flour that is not known counts as a
// cereal with gluten: rather one too many.
func (b Batch) properties() property {
	var out property
	for _, f := range b.Flours {
		t, ok := propertiesOf(f.Name)
		if !ok {
			t = gluten
		}
		out |= t
	}
	for _, in := range b.Inclusions {
		t, _ := propertiesOf(in.Name)
		out |= t
	}
	return out
}

// allergens lists what the ingredients' names point to, of the fourteen groups of
// Annex II of Regulation (EU) 1169/2011, by key. It reads names only: a label may say
// more.
func (b Batch) allergens() []string {
	have := b.properties()
	var out []string
	for i, key := range strings.Fields(propertyNames)[:allergenCount] {
		if have&(gluten<<i) != 0 {
			out = append(out, key)
		}
	}
	return out
}

// unknown lists the ingredients none of whose words is known here.
func (b Batch) unknown() []string {
	var out []string
	note := func(name string) {
		if _, ok := propertiesOf(name); !ok && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	for _, f := range b.Flours {
		note(f.Name)
	}
	for _, in := range b.Inclusions {
		note(in.Name)
	}
	return out
}

// Perishable reports whether the batch holds milk, egg, meat or fish, for which
// time in the warm counts.
func (b Batch) Perishable() bool { return b.properties()&spoils != 0 }

// Milky reports whether milk or cream is part of what the flour is wetted with.
func (b Batch) Milky() bool { return b.sum(liquid) > 0 }

// Yeasted reports whether the batch names baker's yeast or a preferment made with it.
func (b Batch) Yeasted() bool { return b.properties()&yeast != 0 }

// ryePercent returns the share of rye in the flour added at mixing.
func (b Batch) ryePercent() float64 {
	part, all := 0.0, 0.0
	for _, f := range b.Flours {
		all += f.Grams
		if t, _ := propertiesOf(f.Name); t&rye != 0 {
			part += f.Grams
		}
	}
	return 100 * part / math.Max(all, 1)
}

// Cautions says what the ingredients call for; empty when there is nothing to say
// beyond the flour.
func (b Batch) Cautions() []Said {
	var out, groups []Said
	for _, a := range b.allergens() {
		groups = append(groups, Said{Key: "allergen." + a})
	}
	if len(groups) > 0 {
		out = append(out, Said{"caution.allergens", Values{"groups": groups}})
	}
	for _, name := range b.unknown() {
		out = append(out, Said{"caution.unknown", Values{"name": name}})
	}
	if b.Perishable() {
		out = append(out, cautions("perishable")...)
	}
	return out
}
