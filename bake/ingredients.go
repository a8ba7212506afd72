package bake

import (
	"math"
	"slices"
	"strings"
	"unicode"
)

// trait is what an ingredient brings to the dough, told by its name.
type trait uint32

// The first fourteen are the groups of Annex II of Regulation (EU) 1169/2011
// (from memory); they hold the nine major allergens of the United States (FASTER
// Act 2021, from memory) as well.
const (
	gluten trait = 1 << iota
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

// word is a name as people write ingredients: compound says that German puts it
// at either end of longer words ("Roggenmehl", "Vollmilch").
type word struct {
	names    string // separated by commas
	traits   trait
	compound bool
}

// pantry is what is known of names, in the languages of the catalogue. A name of
// two words counts before its parts: almond milk is no milk. Common practice, no
// source, but for the groups of allergens.
func pantry() []word {
	const dairy = milk | spoils
	return []word{
		{"wheat,spelt,einkorn,emmer,kamut,khorasan,durum,semolina,barley,malt,oat,oats,triticale,bran,bulgur,couscous,freekeh,oat milk,oatmeal,seitan", gluten, false},
		{"weizen,dinkel,gerste,gersten,malz,hafer,griess,gruenkern,haferflocken", gluten, true},
		{"rye,pumpernickel", gluten | rye, false}, {"roggen", gluten | rye, true},
		{"buckwheat,rice,maize,corn,cornmeal,polenta,millet,sorghum,teff,quinoa,amaranth,chickpea,chickpeas,tapioca,cassava,chestnut,psyllium,rice milk,coconut milk", plain, false},
		{"buchweizen,reis,mais,hirse,kichererbsen,maronen,kastanien,flohsamen,kokosmilch,reismilch", plain, true},
		{"milk,cream,yogurt,yoghurt,quark,kefir,cheese,ricotta,mascarpone,feta,cheddar,parmesan,mozzarella,whey,buttermilk", dairy, false},
		{"milch,sahne,rahm,joghurt,kaese,frischkaese,molke", dairy, true},
		{"milk powder,milchpulver,magermilchpulver,vollmilchpulver,lactose", milk, false},
		{"butter,ghee,butterschmalz", milk | fat, true},
		{"margarine,lard,shortening,schmalz,oil,coconut fat,cocoa butter,kakaobutter", fat, false}, {"oel", fat, true},
		{"egg,yolk,ei,eier,eigelb,eiweiss,vollei,huehnerei,mayonnaise", egg | spoils, false}, {"eier", egg | spoils, true},
		{"almond,walnut,hazelnut,pecan,cashew,pistachio,macadamia,brazil nut,nut,marzipan,praline,almond milk,almond butter", nuts, false},
		{"mandel,mandeln,walnuss,walnuesse,haselnuss,haselnuesse,pekan,pistazie,pistazien,paranuss,paranuesse,nuss,nuesse,nougat", nuts, true},
		{"peanut,groundnut,peanut butter,erdnussbutter", peanut, false}, {"erdnuss,erdnuesse", peanut, true},
		{"soya,soy,tofu,miso,edamame,soy milk,soya milk,soy sauce", soya, false}, {"soja", soya, true},
		{"lupin,lupine,suesslupine", lupin, true}, {"celery,celeriac", celery, false}, {"sellerie", celery, true},
		{"mustard", mustard, false}, {"senf", mustard, true}, {"sesame,tahini,tahin", sesame, false}, {"sesam", sesame, true},
		{"wine,vinegar,sulphite,sulfite,sulphites,dried apricot,trockenaprikosen", sulphites, false},
		{"fish,anchovy,anchovies,salmon,tuna,fisch,sardelle,sardellen,lachs,thunfisch", fish | spoils, false},
		{"shrimp,prawn,crab,lobster,crayfish,garnele,garnelen,krabbe,krabben,hummer", crustaceans | spoils, false},
		{"mussel,oyster,squid,clam,snail,muschel,muscheln,auster,austern,tintenfisch", molluscs | spoils, false},
		{"meat,bacon,ham,sausage,chorizo,salami,beef,pork,chicken,wurst,speck,schinken,hack,fleisch", spoils, false},
		{"sugar,honey,syrup,molasses,jam,treacle,zucker,honig,sirup,melasse", sugar, false}, {"zucker,sirup", sugar, true},
		{"yeast,hefe,trockenhefe,frischhefe,backhefe,poolish,biga,preferment,pate fermentee,vorteig", yeast, false},
		{"salt,water,potato,pumpkin,carrot,onion,garlic,olive,tomato,spinach,apple,banana,date,fig,raisin,sultana,cranberry,currant,apricot,prune,orange,lemon,zest,seed,seeds,linseed,flaxseed,flax,sunflower,poppy,chia,hemp,pumpkin seed,caraway,fennel,coriander,anise,cumin,rosemary,thyme,herb,pepper,chilli,paprika,cinnamon,cardamom,nutmeg,vanilla,cocoa,chocolate,coffee,tea,coconut,cream of tartar,eggplant,butternut,yeast water", plain, false},
		{"salz,wasser,kartoffel,kartoffeln,kuerbis,kuerbiskerne,karotte,karotten,zwiebel,zwiebeln,knoblauch,oliven,tomaten,spinat,apfel,banane,datteln,feigen,rosinen,sultaninen,cranberrys,zitrone,leinsamen,sonnenblumenkerne,sonnenblumen,mohn,chiasamen,hanf,hanfsamen,kuemmel,fenchel,koriander,anis,rosmarin,thymian,pfeffer,zimt,kardamom,muskat,muskatnuss,kakao,schokolade,kaffee,kokos,kokosnuss,auberginen,altbrot,kerne", plain, true},
	}
}

// allergens are the groups, by their keys, in the order of their traits.
func allergens() []string {
	return []string{"gluten", "crustaceans", "egg", "fish", "peanut", "soya", "milk", "nuts", "celery", "mustard", "sesame", "sulphites", "lupin", "molluscs"}
}

// traitsOf reads a name: whole words, German compounds by either end. ok is
// false when no word of it is known.
func traitsOf(name string) (out trait, ok bool) {
	words := pantry()
	text := " " + strings.Join(strings.FieldsFunc(folded(name), func(r rune) bool { return !unicode.IsLetter(r) }), " ") + " "
	for _, w := range words { // two words before their parts
		for _, n := range strings.Split(w.names, ",") {
			if strings.Contains(n, " ") && strings.Contains(text, " "+n+" ") {
				text = strings.ReplaceAll(text, " "+n+" ", " ")
				out, ok = out|w.traits, true
			}
		}
	}
	for _, token := range strings.Fields(text) {
		if t, known := traitsOfToken(words, token); known {
			out, ok = out|t, true
		}
	}
	if out&(milk|spoils) == milk|spoils && out&fat == 0 {
		out |= liquid
	}
	return out, ok
}

// traitsOfToken looks one word up: as it stands, in the plural, then as a
// compound.
func traitsOfToken(words []word, token string) (out trait, ok bool) {
	forms := []string{token, strings.TrimSuffix(token, "s"), strings.TrimSuffix(token, "es"), strings.TrimSuffix(token, "n")}
	for _, w := range words {
		if slices.ContainsFunc(strings.Split(w.names, ","), func(n string) bool { return slices.Contains(forms, n) }) {
			out, ok = out|w.traits, true
		}
	}
	if ok {
		return out, true
	}
	// The longest ends win: Buchweizen is no Weizen.
	longest := map[bool]int{}
	found := map[bool]trait{}
	for _, w := range words {
		for _, n := range strings.Split(w.names, ",") {
			for _, atEnd := range []bool{false, true} {
				fits := w.compound && (atEnd && strings.HasSuffix(token, n) || !atEnd && strings.HasPrefix(token, n) && len(n) >= 4)
				if fits && len(n) > longest[atEnd] {
					longest[atEnd], found[atEnd] = len(n), w.traits
				}
			}
		}
	}
	return found[false] | found[true], len(found) > 0
}

// folded is a text in small letters without umlauts and accents.
func folded(s string) string {
	return strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "é", "e", "è", "e", "ê", "e", "î", "i", "ç", "c", "ñ", "n").Replace(strings.ToLower(s))
}

// sum adds up what the batch holds of ingredients with any of the traits, grams.
func (b Batch) sum(t trait) float64 {
	out := 0.0
	for _, in := range b.Inclusions {
		if have, _ := traitsOf(in.Name); have&t != 0 {
			out += in.Grams
		}
	}
	return out
}

// traits are those of all ingredients. A flour that is not known counts as a
// cereal with gluten: rather one too many.
func (b Batch) traits() trait {
	var out trait
	for _, f := range b.Flours {
		t, ok := traitsOf(f.Name)
		if !ok {
			t = gluten
		}
		out |= t
	}
	for _, in := range b.Inclusions {
		t, _ := traitsOf(in.Name)
		out |= t
	}
	return out
}

// Allergens lists what the ingredients' names point to, of the fourteen groups of
// Annex II of Regulation (EU) 1169/2011, by key. It reads names only: a label may say
// more.
func (b Batch) Allergens() []string {
	have := b.traits()
	var out []string
	for i, key := range allergens() {
		if have&(gluten<<i) != 0 {
			out = append(out, key)
		}
	}
	return out
}

// Unknown lists the ingredients none of whose words is known here.
func (b Batch) Unknown() []string {
	var out []string
	ask := func(name string) {
		if _, ok := traitsOf(name); !ok && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	for _, f := range b.Flours {
		ask(f.Name)
	}
	for _, in := range b.Inclusions {
		ask(in.Name)
	}
	return out
}

// Perishable reports whether the batch holds milk, egg, meat or fish, for which
// time in the warm counts.
func (b Batch) Perishable() bool { return b.traits()&spoils != 0 }

// Milky reports whether milk or cream is part of what the flour is wetted with.
func (b Batch) Milky() bool { return b.sum(liquid) > 0 }

// Yeasted reports whether the batch names baker's yeast or a preferment made with it.
func (b Batch) Yeasted() bool { return b.traits()&yeast != 0 }

// RyePercent returns the share of rye in the flour added at mixing.
func (b Batch) RyePercent() float64 {
	part, all := 0.0, 0.0
	for _, f := range b.Flours {
		all += f.Grams
		if t, _ := traitsOf(f.Name); t&rye != 0 {
			part += f.Grams
		}
	}
	return 100 * part / math.Max(all, 1)
}

// Cautions says what the ingredients call for; empty when there is nothing to say
// beyond the flour.
func (b Batch) Cautions() []Said {
	var out, groups []Said
	for _, a := range b.Allergens() {
		groups = append(groups, Said{Key: "allergen." + a})
	}
	if len(groups) > 0 {
		out = append(out, Said{"caution.allergens", Values{"groups": groups}})
	}
	for _, name := range b.Unknown() {
		out = append(out, Said{"caution.unknown", Values{"name": name}})
	}
	if b.Perishable() {
		out = append(out, cautions("perishable")...)
	}
	return out
}
