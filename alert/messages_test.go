package alert

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// sight is an invented moment and what is told of it.
type sight struct {
	name string
	then []func(*Input) // its states, one after another
}

// starterAt returns a jar of starter in a phase.
func starterAt(phase estimator.Phase, rise, peak float64) func(*Input) {
	return func(in *Input) {
		in.Vessel, in.Holds, in.Care = "jar", estimator.Starter, fed()
		e := &in.Estimate
		if e.Phase != phase {
			e.Phase, e.PhaseSince = phase, in.At
		}
		e.RisePercent, e.PeakPercent = rise, peak
	}
}

// doughAt returns a change of the estimate of a tub of dough.
func doughAt(change func(*estimator.Estimate)) func(*Input) {
	return func(in *Input) { change(&in.Estimate) }
}

// proving turns a tub into a basket in which a loaf proofs.
func proving(then func(*Input)) func(*Input) {
	return func(in *Input) {
		in.Vessel, in.ProofBasis, in.ProofOf = "basket", bake.BasketBasis, "tub"
		in.Estimate.TargetPercent, in.OverPercent, in.ColdPercent = 45, 73.7, 73.7
		then(in)
	}
}

// due makes one step of the usual bake due.
func due(id string, after *bake.After) func(*Input) {
	p := bake.NewProcess(bake.DefaultBatch(), noon(), 24)
	var steps []bake.Step
	for _, s := range p.Steps(noon(), estimator.Estimate{Phase: estimator.Ended}) {
		if s.ID == id {
			s.State, s.From, s.Until = bake.DueNow, noon(), noon().Add(30*time.Minute)
			steps = append(steps, s)
		}
	}
	return func(in *Input) { in.Estimate.Phase, in.After, in.Steps = estimator.Ended, after, steps }
}

// advised is a dough of which something is to be done in time.
func advised(key bake.AdviceKey, away bool) func(*Input) {
	return func(in *Input) {
		in.Advice = &bake.Advice{Key: key, Away: away, At: noon().Add(15 * time.Hour), By: noon().Add(30 * time.Minute), Then: noon().Add(18 * time.Hour), LandsPercent: 88}
	}
}

// sights are the moments of a household, one for each thing that can be told.
func sights() []sight {
	nan := math.NaN()
	soon := func(minutes int) (time.Time, estimator.Window) {
		at := noon().Add(time.Duration(minutes) * time.Minute)
		return at, estimator.Window{From: at.Add(-10 * time.Minute), Median: at, Until: at.Add(20 * time.Minute)}
	}
	near := doughAt(func(e *estimator.Estimate) { e.Even, e.Ready = soon(20); e.RisePercent, e.CarryOverPercent = 88, 87 })
	reached := func(rise float64) func(*Input) {
		return doughAt(func(e *estimator.Estimate) {
			e.Even, e.Ready = soon(0)
			e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, rise
		})
	}
	lost := func(reason estimator.Cause) func(*Input) {
		return doughAt(func(e *estimator.Estimate) { e.Quality, e.QualityReason = estimator.QualityGap, reason })
	}
	after := &bake.After{CoreC: 94, Probe: true, DoneAt: noon(), Done: bake.Core{LowC: 93, BestC: 96, MostC: 98}, SliceC: 35}
	unseen := &bake.After{CoreC: nan, Basis: bake.TimeBasis, Done: after.Done, SliceC: 35}
	with := func(change func(*bake.After)) *bake.After {
		a := *after
		change(&a)
		return &a
	}
	planned := func(by time.Duration) func(*Input) {
		return func(in *Input) {
			at := noon().Add(8 * time.Hour)
			in.Plan = &bake.PlanState{Wanted: at.Add(40 * time.Minute), Planned: estimator.Window{Median: at},
				Ready: estimator.Window{From: at.Add(by - 20*time.Minute), Median: at.Add(by), Until: at.Add(by + 30*time.Minute)}}
		}
	}
	degrees := func(c float64) func(*Input) { return doughAt(func(e *estimator.Estimate) { e.DoughC = c }) }
	return []sight{
		{"near", []func(*Input){near}},
		{"near, but it may stall", []func(*Input){doughAt(func(e *estimator.Estimate) {
			e.Even, e.Ready = soon(20)
			e.RisePercent, e.ReachChance, e.CeilingLow = 88, 0.7, 93
		})}},
		{"near, and the fridge comes in time", []func(*Input){doughAt(func(e *estimator.Estimate) { e.Even, e.Ready = soon(20); e.RisePercent, e.CarryOverPercent = 88, 22 })}},
		{"reached", []func(*Input){reached(101)}},
		{"reached, then left alone", []func(*Input){func(in *Input) { in.Estimate.CarryOverPercent = 87; reached(101)(in) }, reached(128)}},
		{"no rise left", []func(*Input){doughAt(func(e *estimator.Estimate) { e.RisePercent, e.Exhausted = 82, true })}},
		{"sinking", []func(*Input){doughAt(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.RisePercent, e.PeakPercent = estimator.Fallen, noon(), 118, 131
		})}},
		{"levels off", []func(*Input){doughAt(func(e *estimator.Estimate) { e.LevelsOffShort, e.RisePercent, e.CeilingPercent = true, 70, 78 })}},
		{"creeps", []func(*Input){doughAt(func(e *estimator.Estimate) {
			e.ReachChance, e.RisePercent, e.CeilingPercent, e.EquivalentHours = 0.4, 82, 95, 8
		})}},
		{"a proof", []func(*Input){
			proving(doughAt(func(e *estimator.Estimate) { e.Even, e.Ready = soon(20); e.RisePercent = 38 })),
			proving(doughAt(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 46 })),
			proving(doughAt(func(e *estimator.Estimate) { e.RisePercent = 80 }))}},
		{"a starter", []func(*Input){starterAt(estimator.Peak, 140, 140), starterAt(estimator.Falling, 120, 140), starterAt(estimator.Hungry, 90, 140)}},
		{"a weak starter", []func(*Input){func(in *Input) {
			starterAt(estimator.Peak, 60, 60)(in)
			in.Findings = make([]bake.Finding, 1)
		}}},
		{"a starter that has not sunk", []func(*Input){starterAt(estimator.Falling, 85, 85.3), starterAt(estimator.Hungry, 85, 85.3)}},
		{"a fold", []func(*Input){due("fold-2", nil)}},
		{"preheat", []func(*Input){due(bake.PreheatID, nil)}},
		{"the end of a proof", []func(*Input){due(bake.ProofID, unseen)}},
		{"out of the oven", []func(*Input){due(bake.OutID, after)}},
		{"out of the oven, without a probe", []func(*Input){due(bake.OutID, unseen)}},
		{"the end of a proof, by the basket", []func(*Input){due(bake.ProofID, with(func(a *bake.After) { a.Basis = bake.BasketBasis }))}},
		{"the end of a proof, by the sample", []func(*Input){due(bake.ProofID, with(func(a *bake.After) { a.Basis = bake.SampleBasis }))}},
		{"out by the clock, not done", []func(*Input){due(bake.OutID, with(func(a *bake.After) { a.DoneAt, a.CoreC = time.Time{}, 81 }))}},
		{"slice", []func(*Input){due(bake.SliceID, with(func(a *bake.After) { a.CoreC = 34.8 }))}},
		{"slice, without a probe", []func(*Input){due(bake.SliceID, unseen)}},
		{"bread later", []func(*Input){planned(35 * time.Minute)}},
		{"bread too late", []func(*Input){planned(2 * time.Hour)}},
		{"bread sooner", []func(*Input){planned(-time.Hour)}},
		{"nothing sees it", []func(*Input){func(in *Input) { in.Now.Key = bake.TodoSee }}},
		{"ready at night", []func(*Input){advised(bake.AdviseFridge, false)}},
		{"ready at night, short in the cold", []func(*Input){advised(bake.AdviseShort, false)}},
		{"ready while nobody is there", []func(*Input){advised(bake.AdviseShape, true)}},
		{"a loaf ready at night", []func(*Input){advised(bake.AdviseLoaf, false)}},
		{"a starter that peaks at night", []func(*Input){advised(bake.AdviseStarter, false)}},
		{"hot", []func(*Input){degrees(33.4)}},
		{"cold", []func(*Input){degrees(14.5), degrees(11)}},
		{"the oven", []func(*Input){func(in *Input) { in.Estimate.AirC = 22 + 0.2*in.At.Sub(noon()).Seconds() }}},
		{"the oven, by the dough", []func(*Input){func(in *Input) {
			in.Estimate.DoughC = 24 + 0.05*in.At.Sub(noon()).Minutes()*in.At.Sub(noon()).Minutes()
		}}},
		{"not seen", []func(*Input){lost(estimator.NothingInRange), doughAt(func(e *estimator.Estimate) { e.Quality = estimator.QualityOK })}},
		{"never seen", []func(*Input){func(in *Input) {
			lost(estimator.NoReading)(in)
			in.Estimate.LastSeen, in.Estimate.RisePercent = time.Time{}, nan
		}}},
		{"a thermometer", []func(*Input){func(in *Input) { in.Silent = []Silent{{"dough", noon()}, {Sensor: "air"}} }}},
		{"nobody watched", []func(*Input){func(in *Input) {
			in.System.Unwatched = bake.Span{From: noon().Add(-100 * time.Minute), Until: noon()}
			in.Estimate.Even, in.Estimate.Ready = soon(70)
		}}},
		{"the machine", []func(*Input){func(in *Input) { in.System = System{DiskFreeRatio: 0.034, UnderVoltage: true} }}},
	}
}

// TestEveryMessage words everything that can be told, to be read line by line.
func TestEveryMessage(t *testing.T) {
	for name, l := range map[string]text.Locale{
		"en": {}, "us": {Clock12: true, Fahrenheit: true}, "de": {Language: "de"},
	} {
		var b strings.Builder
		seen := map[Kind]bool{}
		for _, x := range sights() {
			fmt.Fprintf(&b, "# %s\n", x.name)
			s := newScene(t, l)
			s.in.Estimate.ReachChance = 0.97
			for _, change := range x.then {
				s.run(40*time.Minute, 15*time.Second, change)
			}
			for i, a := range s.saidA {
				if strings.Contains(s.said[i], " resolved ") && !policyOf(a.Kind).tellsEnd {
					continue
				}
				seen[a.Kind] = true
				fmt.Fprintf(&b, "%s | %s | %s\n", s.said[i], a.Title, a.Text)
			}
		}
		got := plainText(b.String())
		require.NotContains(t, got, "{")
		golden(t, "messages."+name+".txt", got)
		for _, k := range Kinds() {
			require.True(t, seen[k] || k == SensorSuspect, "%s is not worded by any sight", k)
		}
	}
}
