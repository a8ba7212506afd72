package web

import (
	"cmp"
	"context"
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
	url.Values
	Unit     string
	Measured bool // air is the latest reading
	Vessels  []string
	Recipes  []string // names of the household's
}

// formTime is how a date field writes a moment.
const formTime = "2006-01-02T15:04"

// planForm reads the fields; what they leave out is filled in. The API names some of
// them otherwise.
func (s *Server) planForm(q url.Values) planForm {
	f := planForm{Values: url.Values{}, Unit: s.degreeSign()}
	for _, name := range planFields() {
		f.Set(name, strings.TrimSpace(q.Get(name)))
	}
	for name, field := range map[string]string{"ripe_until": "ripe", "cold_days": "cold"} {
		f.Set(field, cmp.Or(f.Get(field), q.Get(name)))
	}
	if q.Get("no_fridge") == "true" || f.Get("fridge") != "no" {
		f.Set("fridge", map[bool]string{true: "no", false: "yes"}[q.Get("no_fridge") == "true"])
	}
	if q.Get("milk_in_the_warm") == "true" {
		f.Set("milk", "yes")
	}
	snap := s.opt.Live.Snapshot()
	for _, v := range snap.Vessels {
		if v.Holds == estimator.Dough && v.ProofOf == "" {
			f.Vessels = append(f.Vessels, v.Vessel)
		}
	}
	kept, err := s.recipes(s.stopped)
	if err != nil {
		s.opt.Log.Warn("the recipes could not be read", "error", err)
	}
	for _, b := range kept {
		f.Recipes = append(f.Recipes, b.Name)
	}
	if f.Get("vessel") == "" && len(f.Vessels) > 0 {
		f.Set("vessel", f.Vessels[0])
	}
	if f.Get("air") == "" && f.Get("air_c") == "" {
		c, ok := airNow(snap, f.Get("vessel"))
		f.Measured = ok
		f.Set("air", s.degrees(c))
	}
	if f.Get("cold") == "" {
		f.Set("cold", coldDays(snap))
	}
	if f.Get("ready") == "" {
		f.Set("ready", s.opt.Now().In(s.zone()).AddDate(0, 0, 1).Format("2006-01-02")+"T13:00")
	}
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

// with is the form as a query, with one field changed.
func (f planForm) with(field, value string) string {
	q := url.Values{}
	for k := range f.Values {
		if v := f.Get(k); v != "" {
			q.Set(k, v)
		}
	}
	q.Set(field, value)
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

// degrees writes a temperature for the form, in the household's unit.
func (s *Server) degrees(c float64) string {
	if s.words.Locale().Fahrenheit {
		return strconv.FormatFloat(math.Round(c*9/5+32), 'f', -1, 64)
	}
	return strconv.FormatFloat(math.Round(2*c)/2, 'f', -1, 64)
}

// recipe returns a recipe of the household; the nameless one for no name.
func (s *Server) recipe(name string) (bake.Batch, error) {
	all, err := s.recipes(s.stopped)
	i := slices.IndexFunc(all, func(b bake.Batch) bool { return b.Name == name })
	switch {
	case name == "" || err != nil:
		return bake.Batch{}, err
	case i < 0:
		return bake.Batch{}, refuse("recipe_gone", text.Values{"name": name})
	}
	return all[i], nil
}

// degreeSign is the sign of the household's scale.
func (s *Server) degreeSign() string {
	if s.words.Locale().Fahrenheit {
		return "°F"
	}
	return "°C"
}

// planRequestOf reads the request of a form. The moments of the form come back as a date
// field can show them.
func (s *Server) planRequestOf(f planForm) (PlanRequest, error) {
	w := PlanRequest{Now: s.opt.Now().In(s.zone()).Truncate(time.Minute), Vessel: f.Get("vessel"), NoFridge: f.Get("fridge") == "no", MilkInTheWarm: f.Get("milk") == "yes", Way: f.Get("way")}
	if asked, err := time.Parse(time.RFC3339, f.Get("asked")); err == nil && !asked.After(w.Now) && w.Now.Sub(asked) <= planKeeps {
		w.Now = asked.In(w.Now.Location())
	}
	f.Set("asked", w.Now.Format(time.RFC3339))
	atOnce, err := number(f.Get("at_once"))
	if err == nil {
		w.AtOnce, w.BakeIn = int(atOnce), bake.Ware(f.Get("bake_in"))
		w.ColdDays, err = number(f.Get("cold"))
	}
	if err != nil {
		return w, err
	}
	for field, into := range map[string]*time.Time{"ready": &w.ReadyAt, "ripe": &w.RipeUntil, "away_from": &w.AwayFrom, "away_until": &w.AwayUntil} {
		if *into, err = s.moment(f.Values, field, w.Now); err != nil {
			return w, err
		}
	}
	if w.AwayUntil.IsZero() != w.AwayFrom.IsZero() || w.AwayFrom.After(w.AwayUntil) {
		return w, Refusal{Said: bake.Said{Key: "refused.away"}}
	}
	if w.Batch, err = s.recipe(f.Get("recipe")); err != nil {
		return w, err
	}
	if w.AirC, err = s.celsiusOf(f.Values, "air"); err == nil && f.Get("warm")+f.Get("warm_c") != "" {
		w.WarmC, err = s.celsiusOf(f.Values, "warm")
	}
	return w, err
}

// chosenRequest reads the plan of a form that takes one on. What was shown is what is taken
// on: ways that are too old are refused.
func (s *Server) chosenRequest(q url.Values) (*PlanRequest, error) {
	form := s.planForm(q)
	w, err := s.planRequestOf(form)
	if asked := q.Get("asked"); err == nil && asked != "" && !sameMoment(asked, w.Now) {
		err = refuse("old", text.Values{"span": planKeeps})
	}
	return &w, err
}

// sameMoment reports whether a text in RFC 3339 is a moment.
func sameMoment(text string, t time.Time) bool {
	x, err := time.Parse(time.RFC3339, text)
	return err == nil && x.Truncate(time.Minute).Equal(t.Truncate(time.Minute))
}

// moment reads a moment of a form: what a date field sends, or words. An empty one is
// the zero time. The form has it as a date field shows it afterwards.
func (s *Server) moment(form url.Values, field string, now time.Time) (time.Time, error) {
	typed := strings.TrimSpace(form.Get(field))
	if typed == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(formTime, typed, now.Location())
	if err != nil {
		if t, err = planner.ParseWhen(typed, now); err != nil {
			return t, refuse("time", text.Values{"found": typed})
		}
	}
	form.Set(field, t.In(now.Location()).Format(formTime))
	return t, nil
}

// celsiusOf reads a temperature of a form: in Celsius where the field is the API's, else in
// the household's unit.
func (s *Server) celsiusOf(form url.Values, field string) (c float64, err error) {
	if typed := form.Get(field + "_c"); typed != "" {
		c, err = decimal(typed)
	} else {
		err = s.celsius(form.Get(field), &c)
	}
	return c, err
}

// celsius reads a temperature in the household's unit.
func (s *Server) celsius(typed string, into *float64) (err error) {
	*into, err = decimal(typed)
	if s.words.Locale().Fahrenheit {
		*into = (*into - 32) * 5 / 9
	}
	return err
}

// decimal reads a number with a point or a comma.
func decimal(typed string) (float64, error) {
	x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(typed), ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, refuse("number", text.Values{"found": typed})
	}
	return x, nil
}

// number reads a number of a form from 0 to 1000; an empty one is 0.
func number(typed string) (float64, error) {
	if typed == "" {
		return 0, nil
	}
	x, err := decimal(typed)
	if err == nil && !(x >= 0 && x <= 1000) {
		err = refuse("number", text.Values{"found": typed})
	}
	return x, err
}

// planFor plans what the form asks and finds the way to show.
func (s *Server) planFor(ctx context.Context, w PlanRequest) (Planned, int, error) {
	planned, err := s.opt.Planner.Plan(ctx, w)
	if err != nil {
		return Planned{}, 0, err
	}
	if len(planned.Plans) == 0 {
		return Planned{}, 0, refuse("no_way", nil)
	}
	for i, p := range planned.Plans {
		if p.Way == w.Way {
			return planned, i, nil
		}
	}
	if w.Way != "" {
		return Planned{}, 0, refuse("no_way", nil)
	}
	return planned, 0, nil
}
