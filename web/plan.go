package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/estimator"
)

// PlanWish is what a plan is asked for with.
type PlanWish struct {
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
	Way           string // the name of the way chosen; empty for the best
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
	Plan(ctx context.Context, w PlanWish) (Planned, error)
	// LeftOut says what becomes of the dough of a way that stays out until a
	// moment.
	LeftOut(ctx context.Context, w PlanWish, way string, until time.Time) (planner.Outlook, error)
	// StaysOut says the same of the dough that rises in a vessel now: left out,
	// and put into the refrigerator then.
	StaysOut(ctx context.Context, vessel string, until time.Time) (out, cold planner.Outlook, err error)
	// Choose returns the plan of the way that a wish names, as its vessel begins to
	// follow it.
	Choose(ctx context.Context, w PlanWish) (*bake.Chosen, error)
}

// guessedAirC stands in the form when no air temperature is measured.
const guessedAirC = 22.0

// planKeeps is how long the plans of a moment may still be looked at and taken
// on: their times do not move under the reader's eyes.
const planKeeps = 30 * time.Minute

// planForm is what was asked, as the form shows it again.
type planForm struct {
	Ready, Air, Warm, Fridge, Ripe, Out, Vessel, Way, Asked string
	AwayFrom, AwayUntil, Milk                               string
	Unit                                                    string
	Measured                                                bool // Air is the latest reading
	Vessels                                                 []string
}

// formTime is how a date field writes a moment.
const formTime = "2006-01-02T15:04"

// planForm reads the fields; what they leave out is filled in.
func (s *Server) planForm(q url.Values) planForm {
	get := func(k string) string { return strings.TrimSpace(q.Get(k)) }
	f := planForm{Ready: get("ready"), Air: get("air"), Warm: get("warm"), Fridge: get("fridge"), Ripe: get("ripe"),
		Out: get("out"), Vessel: get("vessel"), Way: get("way"), Asked: get("asked"), Unit: "°C",
		AwayFrom: get("away_from"), AwayUntil: get("away_until"), Milk: get("milk")}
	snap := s.opt.Live.Snapshot()
	for _, v := range snap.Vessels {
		if v.Holds == estimator.Dough && v.ProofOf == "" {
			f.Vessels = append(f.Vessels, v.Vessel)
		}
	}
	if f.Vessel == "" && len(f.Vessels) > 0 {
		f.Vessel = f.Vessels[0]
	}
	if s.words.Locale().Fahrenheit {
		f.Unit = "°F"
	}
	if f.Air == "" {
		c, ok := airNow(snap, f.Vessel)
		f.Air, f.Measured = s.degrees(c), ok
	}
	if f.Ready == "" {
		f.Ready = s.opt.Now().In(s.zone()).AddDate(0, 0, 1).Format("2006-01-02") + "T13:00"
	}
	if f.Fridge != "no" {
		f.Fridge = "yes"
	}
	return f
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

// wishOf reads the wish of a form. The moments of the form come back as a date
// field can show them.
func (s *Server) wishOf(f *planForm) (PlanWish, error) {
	w := PlanWish{Now: s.opt.Now().In(s.zone()).Truncate(time.Minute), Vessel: f.Vessel, NoFridge: f.Fridge == "no", Way: f.Way}
	if asked, err := time.Parse(time.RFC3339, f.Asked); err == nil && !asked.After(w.Now) && w.Now.Sub(asked) <= planKeeps {
		w.Now = asked.In(w.Now.Location())
	}
	f.Asked = w.Now.Format(time.RFC3339)
	var err error
	if w.ReadyAt, err = s.moment("ready at", &f.Ready, w.Now); err != nil {
		return w, err
	}
	if w.RipeUntil, err = s.moment("starter ripe until", &f.Ripe, w.Now); err != nil {
		return w, err
	}
	if w.AwayFrom, err = s.moment("nobody is there from", &f.AwayFrom, w.Now); err != nil {
		return w, err
	}
	if w.AwayUntil, err = s.moment("until", &f.AwayUntil, w.Now); err != nil {
		return w, err
	}
	if w.AwayUntil.IsZero() != w.AwayFrom.IsZero() || w.AwayFrom.After(w.AwayUntil) {
		return w, Refuse("Say from when until when nobody is there.")
	}
	w.MilkInTheWarm = f.Milk == "yes"
	if w.AirC, err = s.celsius("kitchen temperature", f.Air); err != nil {
		return w, err
	}
	if f.Warm != "" {
		w.WarmC, err = s.celsius("temperature of the warmer spot", f.Warm)
	}
	return w, err
}

// planOfForm reads the plan of a form that takes one on. What the page showed is
// what is taken on: ways that are too old are refused.
func (s *Server) planOfForm(r *http.Request) (*PlanWish, error) {
	form := s.planForm(r.PostForm)
	asked := form.Asked
	w, err := s.wishOf(&form)
	if err == nil && asked != form.Asked {
		err = Refuse("These ways are more than %.0f minutes old. Plan again, then take one on.", planKeeps.Minutes())
	}
	return &w, err
}

// moment reads a moment of the form: what a date field sends, or words. An empty
// one is the zero time.
func (s *Server) moment(name string, text *string, now time.Time) (time.Time, error) {
	if *text == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(formTime, *text, now.Location())
	if err != nil {
		if t, err = planner.ParseWhen(*text, now); err != nil {
			return t, Refuse("%s: %v", name, err)
		}
	}
	*text = t.In(now.Location()).Format(formTime)
	return t, nil
}

// celsius reads a temperature in the household's unit.
func (s *Server) celsius(name, text string) (float64, error) {
	c, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || math.IsNaN(c) || math.IsInf(c, 0) {
		return 0, Refuse("%s: %q is not a number; write it like %s", name, text, s.degrees(guessedAirC))
	}
	if s.words.Locale().Fahrenheit {
		c = (c - 32) * 5 / 9
	}
	return c, nil
}

// query is the form as a query, for another way and its answers.
func (f planForm) query(way string) string {
	q := url.Values{}
	for k, v := range f.fields(way) {
		if v != "" {
			q.Set(k, v)
		}
	}
	return q.Encode()
}

// fields are the fields of the form.
func (f planForm) fields(way string) map[string]string {
	return map[string]string{"ready": f.Ready, "air": f.Air, "warm": f.Warm, "fridge": f.Fridge, "ripe": f.Ripe, "out": f.Out,
		"vessel": f.Vessel, "asked": f.Asked, "way": way, "away_from": f.AwayFrom, "away_until": f.AwayUntil, "milk": f.Milk}
}

// planFor plans what the form asks and finds the way to show.
func (s *Server) planFor(ctx context.Context, w PlanWish) (Planned, int, error) {
	planned, err := s.opt.Planner.Plan(ctx, w)
	if err != nil {
		return Planned{}, 0, err
	}
	if len(planned.Plans) == 0 {
		return Planned{}, 0, Refuse("there is no way to plan this bread")
	}
	for i, p := range planned.Plans {
		if p.Way == w.Way {
			return planned, i, nil
		}
	}
	if w.Way != "" {
		return Planned{}, 0, Refuse("there is no way %q to this bread; leave it out for the best", w.Way)
	}
	return planned, 0, nil
}

// planWrong is what an error means to the person.
func (s *Server) planWrong(err error) (int, string) {
	var field bake.FieldError
	var refusal Refusal
	var no planner.Refusal
	switch {
	case errors.As(err, &no):
		return http.StatusConflict, s.words.At(s.opt.Now()).Tell(no.Why)
	case errors.As(err, &field), errors.As(err, &refusal):
		return http.StatusConflict, sentence(errors.New(strings.TrimSuffix(err.Error(), ".")))
	}
	s.opt.Log.Error("a plan could not be made", "error", err)
	return http.StatusInternalServerError, "The plan could not be made; the log says more."
}
