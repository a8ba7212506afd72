package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/history"
	"tidemark/web/glance"
	"tidemark/web/past"
)

// recipePage is a batch by grams and baker's percent, scaled, with the water for it.
// All of it stands in its address, so that a recipe can be kept and sent as a link.
type recipePage struct {
	frame
	Form      *form        // as it is shown again
	All       []bake.Batch // the household's recipes
	Own       []ownFlour   // that were added
	NextField string       // of the grams of the next
	Rows      []recipeRow
	Tub       bool // how much the vessel holds is known
	Wrong     string
	Facts     []past.Fact
	Notes     []string
}

// recipeRow is one ingredient: as it was typed, and what it comes to.
type recipeRow struct{ Name, Field, Typed, Grams, Percent, Asked string }

// headroom is the share of a vessel that stays free above the risen dough. Common
// practice, no source.
const headroom = 0.15

// pageRecipe shows the recipe of a vessel, or one that was kept, with what the form
// changes in it.
func (s *Server) pageRecipe(w http.ResponseWriter, r *http.Request) error {
	p, b, err := s.recipeOf(r.Context(), r.URL.Query())
	if err == nil {
		err = s.recipeFacts(&p, b)
	}
	status := http.StatusOK
	if err != nil {
		status, p.Wrong = s.wrong(err)
	}
	p.frame = s.frame(w, r, s.say("recipe", nil), "plan")
	return s.render(w, status, "recipe", p)
}

// recipeOf works a recipe out from the fields of its form, and fills in what they leave out.
func (s *Server) recipeOf(ctx context.Context, q url.Values) (recipePage, bake.Batch, error) {
	f := s.formOf(maps.Clone(q))
	p := recipePage{Form: f}
	b, tubL, airC := bake.DefaultBatch(), 0.0, guessedAirC
	for _, v := range s.opt.Live.Snapshot().Vessels {
		if v.Vessel == f.Get("vessel") {
			tubL, airC = v.HoldsL, cmp.Or(known(v.Estimate.AirC), guessedAirC)
			if v.Recipe != nil {
				b = *v.Recipe
			}
		}
	}
	var err error
	if p.All, err = s.recipes(ctx); err != nil {
		return p, b, err
	}
	if i := named(p.All, f.Get("recipe")); i >= 0 {
		b = p.All[i]
	}
	b = p.withOwn(b)
	if n := int(f.count("at_once")); n > 0 {
		b.AtOnce = n
	}
	if b.AtOnce > 0 {
		f.or("at_once", strconv.Itoa(b.AtOnce))
	}
	p.Tub = tubL > 0
	f.or("fit", "as")
	f.or("by", "hand")
	f.or("loaves", strconv.Itoa(max(1, b.Loaves)))
	f.or("room", s.degrees(airC))
	f.or("flour", f.Get("room"))
	f.or("dough", s.degrees(25))
	b = typedBatch(b, f)
	if b, err = fitted(b, f, tubL); err == nil {
		err = b.Validate()
	}
	s.recipeRows(&p, b, q)
	return p, b, cmp.Or(f.err, err)
}

// maxOwn bounds the flours that are added to a recipe.
const maxOwn = 8

// ownFlour is a flour that was added to a recipe: the field of its name and what stands
// there.
type ownFlour struct {
	Field, Name string
	Whole       bool
}

// withOwn adds the flours that were named in the form.
func (p *recipePage) withOwn(b bake.Batch) bake.Batch {
	b = b.Scale(1) // its own lists
	for i := range maxOwn {
		field := fmt.Sprintf("own%d", i)
		name := p.Form.text(field)
		if name == "" || utf8.RuneCountInString(name) > maxShort {
			continue
		}
		x := ownFlour{fmt.Sprintf("own%d", len(p.Own)), name, p.Form.Get(field+"_whole") != ""}
		p.Own, b.Flours = append(p.Own, x), append(b.Flours, bake.Flour{Name: name, Whole: x.Whole})
	}
	p.NextField = fmt.Sprintf("flour%d", len(b.Flours))
	return b
}

// postRecipe keeps a recipe as the household's own under a name, or takes one out.
func (s *Server) postRecipe(w http.ResponseWriter, r *http.Request) error {
	f, err := s.posted(r)
	if err != nil {
		return err
	}
	name, said, to := f.Get("remove"), "recipe.removed", url.Values{"vessel": {f.Get("vessel")}}
	if name == "" {
		var b bake.Batch
		if _, b, err = s.recipeOf(r.Context(), f.Values); err == nil {
			name, said = f.text("name"), "recipe.kept"
			b.Name = name
			to.Set("recipe", name)
			err = s.changeRecipes(r.Context(), name, &b)
		}
	} else {
		err = s.changeRecipes(r.Context(), name, nil)
	}
	if err != nil {
		return err
	}
	return s.leadTo(w, r, "/recipe?"+to.Encode(), s.say(said, text.Values{"name": name}))
}

// recipesKey is where the household's recipes are kept, and maxRecipes how many.
const (
	recipesKey = "recipes"
	maxRecipes = 50
)

// recipes reads the household's recipes, in order of their names.
func (s *Server) recipes(ctx context.Context) ([]bake.Batch, error) {
	body, err := s.opt.Settings.Get(ctx, recipesKey)
	if errors.Is(err, history.ErrNotFound) {
		return nil, nil
	}
	var out []bake.Batch
	if err == nil {
		err = json.Unmarshal(body, &out)
	}
	return out, err
}

// named is the place of the recipe of a name; -1 for none.
func named(all []bake.Batch, name string) int {
	return slices.IndexFunc(all, func(b bake.Batch) bool { return b.Name == name })
}

// changeRecipes puts a recipe in the place of the one of a name; nil takes it out.
func (s *Server) changeRecipes(ctx context.Context, name string, b *bake.Batch) error {
	if name == "" || utf8.RuneCountInString(name) > maxShort {
		return refuse("recipe_name", text.Values{"n": maxShort})
	}
	s.recipeMu.Lock()
	defer s.recipeMu.Unlock()
	all, err := s.recipes(ctx)
	if err != nil {
		return err
	}
	all = slices.DeleteFunc(all, func(x bake.Batch) bool { return x.Name == name })
	if b != nil {
		all = append(all, *b)
	}
	if len(all) > maxRecipes {
		return refuse("recipes", text.Values{"n": maxRecipes})
	}
	slices.SortFunc(all, func(a, b bake.Batch) int { return strings.Compare(a.Name, b.Name) })
	body, err := json.Marshal(all)
	if err != nil {
		return err
	}
	return s.opt.Settings.Set(ctx, recipesKey, body)
}

// known returns a number, or 0 when it is not one.
func known(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// amounts are the ingredients of a batch by their fields in the form.
func amounts(b *bake.Batch) (fields []string, grams []*float64) {
	for i := range b.Flours {
		fields, grams = append(fields, "flour"+strconv.Itoa(i)), append(grams, &b.Flours[i].Grams)
	}
	fields, grams = append(fields, "water_g", "levain_g", "salt_g"), append(grams, &b.WaterG, &b.Levain.Grams, &b.SaltG)
	for i := range b.Inclusions {
		fields, grams = append(fields, "other"+strconv.Itoa(i)), append(grams, &b.Inclusions[i].Grams)
	}
	return fields, grams
}

// typedBatch puts what was typed into a batch: grams, or percent of its flour.
func typedBatch(b bake.Batch, f *form) bake.Batch {
	flour := flourG(b)
	fields, grams := amounts(&b)
	for i, field := range fields {
		typed := f.text(field)
		if typed == "" {
			continue
		}
		number, percent := strings.CutSuffix(typed, "%")
		x, err := decimal(number)
		if err != nil || !(x >= 0 && x <= 1e6) {
			f.fail("amount", typed)
			continue
		}
		if percent {
			x *= flour / 100
		}
		*grams[i] = x
		if i == len(b.Flours)-1 {
			flour = flourG(b) // percents are of the flour as it is now
		}
	}
	return b
}

// flourG is the flour that is added at mixing.
func flourG(b bake.Batch) float64 {
	sum := 0.0
	for _, f := range b.Flours {
		sum += f.Grams
	}
	return sum
}

// fitted scales a batch to loaves, to the vessel or to the starter at hand.
func fitted(b bake.Batch, f *form, tubL float64) (bake.Batch, error) {
	n, err := b.Numbers(), b.Validate()
	if err != nil {
		return b, err
	}
	loaves := max(1, int(f.count("loaves")))
	f.or("each", strconv.Itoa(int(n.TotalG/float64(loaves)+0.5)))
	switch f.Get("fit") {
	case "loaves":
		return b.ScaleToLoaves(loaves, f.number("each"))
	case "tub":
		return b.ScaleToTub(tubL, b.Stands(), headroom)
	case "hand":
		if hand := f.number("hand"); hand > 0 && b.Levain.Grams > 0 {
			return b.Scale(hand / b.Levain.Grams), nil
		}
		return b, refuse("hand", nil)
	}
	return b, nil
}

// recipeRows fills the table.
func (s *Server) recipeRows(p *recipePage, b bake.Batch, q url.Values) {
	var names []string
	for _, f := range b.Flours {
		names = append(names, f.Name)
	}
	names = append(names, s.say("recipe.water", nil), s.say("recipe.levain", text.Values{"percent": b.Levain.HydrationPercent}), s.say("recipe.salt", nil))
	for _, x := range b.Inclusions {
		names = append(names, x.Name)
	}
	fields, grams := amounts(&b)
	flour := flourG(b)
	for i, field := range fields {
		p.Rows = append(p.Rows, recipeRow{Name: glance.Upper(names[i]), Field: field, Asked: q.Get(field), Typed: strconv.FormatFloat(math.Round(10**grams[i])/10, 'f', -1, 64),
			Grams: s.words.Value("mass_g", *grams[i]), Percent: s.words.Value("share_tenth", 100**grams[i]/max(flour, 1)) + " %"})
	}
}

// recipeFacts says what the batch comes to, and how warm its water is to be.
func (s *Server) recipeFacts(p *recipePage, b bake.Batch) error {
	n := b.Numbers() // checked
	add := func(key string, v text.Values) {
		p.Facts = append(p.Facts, past.Fact{Name: s.say("recipe."+key, nil), Value: s.say("recipe."+key+".is", v)})
	}
	add("total", text.Values{"total_g": n.TotalG, "each_g": n.PerLoafG})
	add("hydration", text.Values{"percent": n.HydrationPercent})
	add("fermented", text.Values{"percent": n.InoculationPercent})
	o := b.Oven()
	add("oven", text.Values{"hot_c": o.HotC, "then_c": o.ThenC, "minutes_min": float64(o.Minutes()), "bakes": b.Bakes()})
	m := bake.Mixing{By: p.Form.Get("by"), TargetC: p.Form.celsius("dough"), FlourC: p.Form.celsius("flour"), RoomC: p.Form.celsius("room")}
	var water bake.Water
	err := p.Form.err
	if err == nil {
		water, err = b.MixingWater(m)
	}
	switch {
	case err != nil:
	case water.IceG > 0:
		add("ice", text.Values{"ice_g": water.IceG})
	default:
		add("warm", text.Values{"temp_c": water.TempC})
	}
	p.Notes = sentences(s.words, append(b.Warnings(), b.Cautions()...))
	return err
}
