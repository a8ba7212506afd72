package web

import (
	"math"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web/past"
	"tidemark/web/say"
)

// The types of the API. Times are RFC 3339 in the household's zone, numbers
// that are not known are null.

type vesselJSON struct {
	Name          string       `json:"name"`
	Holds         string       `json:"holds"`
	RiseID        *int64       `json:"rise_id"`
	Demo          bool         `json:"demo"`
	LeadSeconds   float64      `json:"lead_seconds"`
	TargetPercent past.Number  `json:"target_percent"`
	InFridge      bool         `json:"in_fridge"`
	Batch         string       `json:"batch"`
	AirHumidity   past.Number  `json:"air_humidity_ratio"`
	Answer        answerJSON   `json:"answer"`
	Estimate      estimateJSON `json:"estimate"`
	Steps         []stepJSON   `json:"steps"`
	Alarms        []alarmJSON  `json:"alarms"`
	Sensors       []sensorJSON `json:"sensors"`
	Deeds         []deedJSON   `json:"deeds"`
	breadJSON

	Plan *planStateJSON `json:"plan"`
}

type answerJSON struct {
	When  string `json:"when"`
	Level string `json:"level"`
	Next  string `json:"next"`
	Due   bool   `json:"due"`
	Blind string `json:"blind"`
}

type estimateJSON struct {
	Time               time.Time   `json:"time"`
	StartedAt          *time.Time  `json:"started_at"`
	RisePercent        past.Number `json:"rise_percent"`
	RiseSD             past.Number `json:"rise_sd"`
	RatePercentPerHour past.Number `json:"rate_percent_per_hour"`
	DoughC             past.Number `json:"dough_c"`
	AirC               past.Number `json:"air_c"`
	LevelMM            past.Number `json:"level_mm"`
	VolumeL            past.Number `json:"volume_l"`
	ReadyAt            *time.Time  `json:"ready_at"`
	ReadyFrom          *time.Time  `json:"ready_from"`
	ReadyUntil         *time.Time  `json:"ready_until"`
	ReadyIsPast        bool        `json:"ready_is_past"`
	ReachChance        past.Number `json:"reach_chance"`
	NoForecast         string      `json:"no_forecast"`
	CeilingPercent     past.Number `json:"ceiling_percent"`
	PeakPercent        past.Number `json:"peak_percent"`
	PeakAt             *time.Time  `json:"peak_at"`
	Phase              string      `json:"phase"`
	PhaseSince         *time.Time  `json:"phase_since"`
	PhaseReason        string      `json:"phase_reason"`
	Quality            string      `json:"quality"`
	QualityReason      string      `json:"quality_reason"`
	LastSeen           *time.Time  `json:"last_seen"`
	EquivalentHours    past.Number `json:"equivalent_hours"`
	Fan                []fanJSON   `json:"fan"`
}

type fanJSON struct {
	Time time.Time   `json:"time"`
	P10  past.Number `json:"p10_percent"`
	P50  past.Number `json:"p50_percent"`
	P90  past.Number `json:"p90_percent"`
}

type stepJSON struct {
	ID       string     `json:"id"`
	Name     string     `json:"name"`
	Do       string     `json:"do"`
	Caution  string     `json:"caution"`
	Question string     `json:"question"`
	State    string     `json:"state"`
	At       *time.Time `json:"at"`
	From     *time.Time `json:"from"`
	Until    *time.Time `json:"until"`
	Why      string     `json:"why"`
}

type alarmJSON struct {
	ID       string     `json:"id"`
	Kind     string     `json:"kind"`
	Reason   string     `json:"reason"`
	State    string     `json:"state"`
	Since    *time.Time `json:"since"`
	Title    string     `json:"title"`
	Text     string     `json:"text"`
	Priority int        `json:"priority"`
}

type sensorJSON struct {
	Sensor   string     `json:"sensor"`
	Quantity string     `json:"quantity"`
	Status   string     `json:"status"`
	Reason   string     `json:"reason"`
	LastOK   *time.Time `json:"last_ok"`
}

type deedJSON struct {
	ID      int64     `json:"id"`
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"`
	By      string    `json:"by"`
	CanUndo bool      `json:"can_undo"`
	Detail  string    `json:"detail"`
}

// vesselOf turns a vessel into its form on the API.
func vesselOf(v Vessel, now time.Time, h say.House) vesselJSON {
	a := say.For(say.Vessel{Name: v.Name, Holds: v.Holds, Estimate: v.Estimate, Steps: v.Steps, InFridge: v.InFridge, Now: now,
		After: v.After, Care: v.Care}, h)
	out := vesselJSON{Name: v.Name, Holds: string(v.Holds), Demo: v.Demo, LeadSeconds: v.Lead.Seconds(), InFridge: v.InFridge,
		TargetPercent: past.Number(v.TargetPercent), Batch: v.Batch, AirHumidity: past.Number(knownRatio(v.AirHumidity)), Answer: answerJSON{a.When, a.Level, a.Next, a.Due, a.Blind},
		Estimate: estimateOf(v.Estimate, h.Zone), Steps: stepsOf(v.Steps, h.Zone), Alarms: alarmsOf(v.Alarms, h.Zone),
		Sensors: []sensorJSON{}, Deeds: []deedJSON{}, breadJSON: breadOf(v, h.Zone), Plan: planStateOf(v.Plan, h.Zone)}
	if v.RiseID != 0 {
		out.RiseID = &v.RiseID
	}
	for _, x := range v.Sensors {
		out.Sensors = append(out.Sensors, sensorJSON{x.Sensor, x.Quantity, x.Status, x.Reason, optional(x.LastOK, h.Zone)})
	}
	for _, d := range v.Deeds {
		out.Deeds = append(out.Deeds, deedJSON{d.ID, stamp(d.At, h.Zone), string(d.Kind), d.By, d.CanUndo, d.Detail})
	}
	return out
}

func estimateOf(e estimator.Estimate, zone *time.Location) estimateJSON {
	n := func(v float64) past.Number { return past.Number(v) }
	phase := e.Phase
	if phase == "" {
		phase = estimator.Idle
	}
	out := estimateJSON{Time: stamp(e.Time, zone), StartedAt: optional(e.Started, zone), RisePercent: n(e.RisePercent), RiseSD: n(e.RiseSD),
		RatePercentPerHour: n(e.RatePercentPerHour), DoughC: n(e.DoughC), AirC: n(e.AirC), LevelMM: n(e.LevelMM), VolumeL: n(e.VolumeL),
		ReadyAt: optional(e.Ready.Median, zone), ReadyFrom: optional(e.Ready.From, zone), ReadyUntil: optional(e.Ready.Until, zone),
		ReadyIsPast: e.ReadyIsPast, ReachChance: n(e.ReachChance), NoForecast: e.NoForecast, CeilingPercent: n(e.CeilingPercent),
		PeakPercent: n(e.PeakPercent), PeakAt: optional(e.PeakAt, zone), Phase: string(phase), PhaseSince: optional(e.PhaseSince, zone),
		PhaseReason: e.PhaseReason, Quality: string(e.Quality), QualityReason: e.QualityReason, LastSeen: optional(e.LastSeen, zone),
		EquivalentHours: n(e.EquivalentHours), Fan: []fanJSON{}}
	for _, f := range e.Fan {
		out.Fan = append(out.Fan, fanJSON{stamp(f.Time, zone), n(f.P10Percent), n(f.P50Percent), n(f.P90Percent)})
	}
	return out
}

func stepsOf(steps []bake.Step, zone *time.Location) []stepJSON {
	out := []stepJSON{}
	for _, s := range steps {
		out = append(out, stepJSON{s.ID, s.Name, s.Do, s.Caution, s.Question, string(s.State), optional(s.At, zone),
			optional(s.From, zone), optional(s.Until, zone), s.Why})
	}
	return out
}

func alarmsOf(alarms []alert.Alarm, zone *time.Location) []alarmJSON {
	out := []alarmJSON{}
	for _, a := range alarms {
		out = append(out, alarmJSON{a.ID, string(a.Kind), a.Reason, string(a.State), optional(a.Since, zone), a.Title, a.Text, a.Priority})
	}
	return out
}

// knownRatio is a ratio, or NaN for one that was not measured.
func knownRatio(v float64) float64 {
	if v > 0 {
		return v
	}
	return math.NaN()
}

// optional is a moment or null.
func optional(t time.Time, zone *time.Location) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = stamp(t, zone)
	return &t
}

// stamp is a moment to the millisecond, which is finer than anything known.
func stamp(t time.Time, zone *time.Location) time.Time { return t.Round(time.Millisecond).In(zone) }

// actJSON is an act as the API takes it.
type actJSON struct {
	Kind          string  `json:"kind"`
	RiseID        int64   `json:"rise_id"`
	At            string  `json:"at"`
	Batch         string  `json:"batch"`
	TargetPercent float64 `json:"target_percent"`
	AlarmID       string  `json:"alarm_id"`
	SnoozeSeconds float64 `json:"snooze_seconds"`
	StepID        string  `json:"step_id"`
	Answer        string  `json:"answer"`
	UndoID        int64   `json:"undo_id"`
	EventID       int64   `json:"event_id"`
	Note          string  `json:"note"`
	feedJSON

	Plan *planWishJSON `json:"plan"`
}

// judgementJSON is what a person thought of the result.
type judgementJSON struct {
	Outcome    string `json:"outcome"`
	OvenSpring string `json:"oven_spring"`
	Note       string `json:"note"`
}
