package bake

import (
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

// propertiesOfName returns what a name as people write ingredients brings, in the languages of
// the catalogue; 0 when it is not known. compound says that German puts it at either end
// of longer words ("Roggenmehl", "Vollmilch"). Common practice, no source, but for the
// groups of allergens.
func propertiesOfName(name string) (t property, compound bool) {
	switch name {
	case "wheat", "spelt", "einkorn", "emmer", "kamut", "khorasan", "durum", "semolina", "barley", "malt", "oat", "oats", "triticale", "bran", "bulgur", "couscous", "freekeh", "oat milk", "oatmeal", "seitan":
		return gluten, false
	case "weizen", "dinkel", "gerste", "gersten", "malz", "hafer", "griess", "gruenkern", "haferflocken":
		return gluten, true
	case "rye", "pumpernickel":
		return gluten | rye, false
	case "roggen":
		return gluten | rye, true
	case "buckwheat", "rice", "maize", "corn", "cornmeal", "polenta", "millet", "sorghum", "teff", "quinoa", "amaranth", "chickpea", "chickpeas", "tapioca", "cassava", "chestnut", "psyllium", "rice milk", "coconut milk", "salt", "water", "potato", "pumpkin", "carrot", "onion", "garlic", "olive", "tomato",
		"spinach", "apple", "banana", "date", "fig", "raisin", "sultana", "cranberry", "currant", "apricot", "prune", "orange", "lemon", "zest", "seed", "seeds", "linseed", "flaxseed", "flax", "sunflower", "poppy", "chia", "hemp", "pumpkin seed", "caraway", "fennel", "coriander", "anise", "cumin",
		"rosemary", "thyme", "herb", "pepper", "chilli", "paprika", "cinnamon", "cardamom", "nutmeg", "vanilla", "cocoa", "chocolate", "coffee", "tea", "coconut", "cream of tartar", "eggplant", "butternut", "yeast water":
		return plain, false
	case "buchweizen", "reis", "mais", "hirse", "kichererbsen", "maronen", "kastanien", "flohsamen", "kokosmilch", "reismilch", "salz", "wasser", "kartoffel", "kartoffeln", "kuerbis", "kuerbiskerne", "karotte", "karotten", "zwiebel", "zwiebeln", "knoblauch", "oliven", "tomaten", "spinat", "apfel", "banane",
		"datteln", "feigen", "rosinen", "sultaninen", "cranberrys", "zitrone", "leinsamen", "sonnenblumenkerne", "sonnenblumen", "mohn", "chiasamen", "hanf", "hanfsamen", "kuemmel", "fenchel", "koriander", "anis", "rosmarin", "thymian", "pfeffer", "zimt", "kardamom", "muskat", "muskatnuss", "kakao",
		"schokolade", "kaffee", "kokos", "kokosnuss", "auberginen", "altbrot", "kerne":
		return plain, true
	case "milk", "cream", "yogurt", "yoghurt", "quark", "kefir", "cheese", "ricotta", "mascarpone", "feta", "cheddar", "parmesan", "mozzarella", "whey", "buttermilk":
		return milk | spoils, false
	case "milch", "sahne", "rahm", "joghurt", "kaese", "frischkaese", "molke":
		return milk | spoils, true
	case "milk powder", "milchpulver", "magermilchpulver", "vollmilchpulver", "lactose":
		return milk, false
	case "butter", "ghee", "butterschmalz":
		return milk | fat, true
	case "margarine", "lard", "shortening", "schmalz", "oil", "coconut fat", "cocoa butter", "kakaobutter":
		return fat, false
	case "oel":
		return fat, true
	case "egg", "yolk", "ei", "eigelb", "eiweiss", "vollei", "huehnerei", "mayonnaise":
		return egg | spoils, false
	case "eier":
		return egg | spoils, true
	case "almond", "walnut", "hazelnut", "pecan", "cashew", "pistachio", "macadamia", "brazil nut", "nut", "marzipan", "praline", "almond milk", "almond butter":
		return nuts, false
	case "mandel", "mandeln", "walnuss", "walnuesse", "haselnuss", "haselnuesse", "pekan", "pistazie", "pistazien", "paranuss", "paranuesse", "nuss", "nuesse", "nougat":
		return nuts, true
	case "peanut", "groundnut", "peanut butter", "erdnussbutter":
		return peanut, false
	case "erdnuss", "erdnuesse":
		return peanut, true
	case "soya", "soy", "tofu", "miso", "edamame", "soy milk", "soya milk", "soy sauce":
		return soya, false
	case "soja":
		return soya, true
	case "lupin", "lupine", "suesslupine":
		return lupin, true
	case "celery", "celeriac":
		return celery, false
	case "sellerie":
		return celery, true
	case "mustard":
		return mustard, false
	case "senf":
		return mustard, true
	case "sesame", "tahini", "tahin":
		return sesame, false
	case "sesam":
		return sesame, true
	case "wine", "vinegar", "sulphite", "sulfite", "sulphites", "dried apricot", "trockenaprikosen":
		return sulphites, false
	case "fish", "anchovy", "anchovies", "salmon", "tuna", "fisch", "sardelle", "sardellen", "lachs", "thunfisch":
		return fish | spoils, false
	case "shrimp", "prawn", "crab", "lobster", "crayfish", "garnele", "garnelen", "krabbe", "krabben", "hummer":
		return crustaceans | spoils, false
	case "mussel", "oyster", "squid", "clam", "snail", "muschel", "muscheln", "auster", "austern", "tintenfisch":
		return molluscs | spoils, false
	case "meat", "bacon", "ham", "sausage", "chorizo", "salami", "beef", "pork", "chicken", "wurst", "speck", "schinken", "hack", "fleisch":
		return spoils, false
	case "sugar", "honey", "syrup", "molasses", "jam", "treacle", "honig", "melasse":
		return sugar, false
	case "zucker", "sirup":
		return sugar, true
	case "yeast", "hefe", "trockenhefe", "frischhefe", "backhefe", "poolish", "biga", "preferment", "pate fermentee", "vorteig":
		return yeast, false
	}
	return 0, false
}

// allergens are the groups, by their keys, in the order of their properties.
func allergens() []string {
	return []string{"gluten", "crustaceans", "egg", "fish", "peanut", "soya", "milk", "nuts", "celery", "mustard", "sesame", "sulphites", "lupin", "molluscs"}
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
	for i, key := range allergens() {
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
