package web

import (
	"context"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/estimator"
)

// PlanRequest is what a plan is asked for with.
type PlanRequest struct {
	Now       time.Time // plans are worked from this moment
	ReadyAt   time.Time // the loaf is cool enough to slice
	Vessel    string    // whose dough; empty means the first that holds dough
	AirC      float64   // where the dough stands, Celsius
	WarmC     float64   // a warmer spot, Celsius; 0 when there is none
	NoFridge  bool      // no room in the refrigerator
	RipeUntil time.Time // the starter is ripe until then; zero when it must be fed first
	AwayFrom  time.Time // nobody is at home from then
	AwayUntil time.Time // until then; both zero when somebody always is
	// MilkInTheWarm: the household takes on itself that milk or egg stands warm for long.
	MilkInTheWarm bool
	AtOnce        int        // how many loaves go into the oven at a time; 0 for the batch's own
	BakeIn        bake.Ware  // empty for the batch's own
	ColdDays      float64    // how long the starter has stood in the refrigerator unfed; 0 when it has not
	Batch         bake.Batch // a recipe of the household; nameless for the vessel's own
	Way           string     // the name of the way chosen; empty for the best
}

// Planned are the ways to the bread, best first.
type Planned struct {
	Vessel string // whose dough; empty without a vessel
	Title  string // name of the batch; may be empty
	From   string // what the figures come from, a sentence
	Plans  []planner.Plan
}

// Planner plans a bake. A bake.FieldError or a Refusal is shown to the person.
type Planner interface {
	// Plan works out every way to the bread that was asked for.
	Plan(ctx context.Context, w PlanRequest) (Planned, error)
	// Feedings says how the starter is fed so that it peaks at the time asked for.
	Feedings(ctx context.Context, w PlanRequest) ([]planner.Feeding, error)
	// Choose returns the plan of the way that a request names, as its vessel begins to
	// follow it.
	Choose(ctx context.Context, w PlanRequest) (*bake.Chosen, error)
}

// guessedAirC stands in the form when no air temperature is measured.
const guessedAirC = 22.0

// planKeeps is how long the plans of a moment may still be looked at and taken
// on: their times do not move under the reader's eyes.
const planKeeps = 30 * time.Minute

// planForm is what was asked, as the form shows it again: the fields of the page, in the
// household's units.
type planForm struct {
	*form
	Measured bool // air is the latest reading
	Vessels  []string
	Recipes  []bake.Batch // of the household
}

// planForm reads the fields; what they leave out is filled in. The API names some of
// them otherwise.
func (s *Server) planForm(q url.Values) planForm {
	f := planForm{form: s.formOf(url.Values{})}
	for _, name := range planFields() {
		f.Set(name, strings.TrimSpace(q.Get(name)))
	}
	f.or("ripe", q.Get("ripe_until"))
	f.or("cold", q.Get("cold_days"))
	if q.Get("milk_in_the_warm") == "true" {
		f.Set("milk", "yes")
	}
	if q.Get("no_fridge") == "true" {
		f.Set("fridge", "no")
	}
	f.or("fridge", "yes")
	snap := s.opt.Live.Snapshot()
	for _, v := range snap.Vessels {
		if v.Holds == estimator.Dough && v.ProofOf == "" {
			f.Vessels = append(f.Vessels, v.Vessel)
			f.or("vessel", v.Vessel)
		}
	}
	kept, err := s.recipes(s.stopped)
	if err != nil {
		s.opt.Log.Warn("the recipes could not be read", "error", err)
	}
	f.Recipes = kept
	if f.Get("air") == "" && f.Get("air_c") == "" {
		c, ok := airNow(snap, f.Get("vessel"))
		f.Measured = ok
		f.Set("air", s.degrees(c))
	}
	f.or("cold", coldDays(snap))
	f.or("ready", f.now.AddDate(0, 0, 1).Format("2006-01-02")+"T13:00")
	return f
}

// planFields are the fields of the form. Those in Celsius are the API's.
func planFields() []string {
	return []string{"ready", "air", "air_c", "warm", "warm_c", "fridge", "ripe", "out", "vessel", "asked", "way", "away_from", "away_until", "milk", "at_once", "bake_in", "cold", "peak", "recipe"}
}

// Link is the address of the plan with another way.
func (f planForm) Link(way string) string { return "/plan?" + f.with("way", way) }

// Query is the form as a query.
func (f planForm) Query() string { return f.with("way", f.Get("way")) }

// with is the form as a query, with fields changed; an empty value takes one out.
func (f planForm) with(changes ...string) string {
	q := maps.Clone(f.Values)
	for i := 0; i+1 < len(changes); i += 2 {
		q.Set(changes[i], changes[i+1])
	}
	maps.DeleteFunc(q, func(_ string, v []string) bool { return v[0] == "" })
	return q.Encode()
}

// coldDays is how many days the starter has stood in the refrigerator; empty for none.
func coldDays(snap Snapshot) string {
	for _, v := range snap.Vessels {
		for _, e := range slices.Backward(v.Events) {
			if v.Holds == estimator.Starter && v.InFridge && e.Kind == bake.EventFridge {
				return strconv.Itoa(int(snap.At.Sub(e.At).Hours() / 24))
			}
		}
	}
	return ""
}

// airNow is the air temperature measured by the vessel, else by another one that
// does not stand in the refrigerator.
func airNow(snap Snapshot, vessel string) (c float64, ok bool) {
	c = guessedAirC
	for _, v := range snap.Vessels {
		if e := v.Estimate; math.IsNaN(e.AirC) || e.Time.IsZero() || v.InFridge || ok && v.Vessel != vessel {
			continue
		}
		c, ok = v.Estimate.AirC, true
	}
	return c, ok
}

// recipe returns a recipe of the household; the nameless one for no name.
func (s *Server) recipe(name string) (bake.Batch, error) {
	all, err := s.recipes(s.stopped)
	i := named(all, name)
	switch {
	case name == "" || err != nil:
		return bake.Batch{}, err
	case i < 0:
		return bake.Batch{}, refuse("recipe_gone", text.Values{"name": name})
	}
	return all[i], nil
}

// planRequestOf reads the request of a form.
func (s *Server) planRequestOf(f planForm) (w PlanRequest, err error) {
	w = PlanRequest{Now: f.now.Truncate(time.Minute), Vessel: f.Get("vessel"), NoFridge: f.Get("fridge") == "no", MilkInTheWarm: f.Get("milk") == "yes", Way: f.Get("way")}
	if asked, err := time.Parse(time.RFC3339, f.Get("asked")); err == nil && !asked.After(w.Now) && w.Now.Sub(asked) <= planKeeps {
		w.Now = asked.In(w.Now.Location())
	}
	f.Set("asked", w.Now.Format(time.RFC3339))
	w.AtOnce, w.BakeIn, w.ColdDays = int(f.count("at_once")), bake.Ware(f.Get("bake_in")), f.count("cold")
	w.ReadyAt, w.RipeUntil = f.moment("ready", w.Now), f.moment("ripe", w.Now)
	w.AwayFrom, w.AwayUntil = f.moment("away_from", w.Now), f.moment("away_until", w.Now)
	if f.err == nil && (w.AwayUntil.IsZero() != w.AwayFrom.IsZero() || w.AwayFrom.After(w.AwayUntil)) {
		f.err = Refusal{Said: bake.Said{Key: "refused.away"}}
	}
	if f.err == nil {
		w.Batch, f.err = s.recipe(f.Get("recipe"))
	}
	w.AirC = f.celsius("air")
	if f.Get("warm")+f.Get("warm_c") != "" {
		w.WarmC = f.celsius("warm")
	}
	return w, f.err
}

// chosenRequest reads the plan of a form that takes one on. What was shown is what is taken
// on: ways that are too old are refused.
func (s *Server) chosenRequest(q url.Values) (PlanRequest, error) {
	w, err := s.planRequestOf(s.planForm(q))
	asked, bad := time.Parse(time.RFC3339, q.Get("asked"))
	if err == nil && q.Get("asked") != "" && (bad != nil || !asked.Truncate(time.Minute).Equal(w.Now.Truncate(time.Minute))) {
		err = refuse("old", text.Values{"span": planKeeps})
	}
	return w, err
}
