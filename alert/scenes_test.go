package alert

import (
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// noon is the start of every scene; the scenes are invented.
func noon() time.Time { return time.Date(2026, 11, 7, 12, 0, 0, 0, time.UTC) }

// scene shows an Evaluator what is the case and remembers what it said.
type scene struct {
	w     *Evaluator
	in    Input
	said  []Change // but what was only worded anew
	lines []string // the same as lines, with the words of what is worth a message
}

// newScene starts a tub of dough that rises quietly.
func newScene(l text.Locale) *scene {
	s := &scene{w: NewEvaluator(text.New(l), 0)}
	s.in = Input{RiseID: 7, State: bake.State{Vessel: "tub", Holds: estimator.Dough, Lead: 30 * time.Minute, At: noon(), OverPercent: 125, ColdPercent: 143},
		System: System{ClockSet: true, DiskFreeRatio: math.NaN()}}
	s.in.Estimate = estimator.Estimate{
		Started: noon(), RisePercent: 20, RiseSD: 1, DoughC: 24, AirC: 22, TargetPercent: 100,
		CarryOverPercent: math.NaN(), CeilingPercent: math.NaN(), PeakPercent: 20, ReachChance: 0.97,
		Phase: estimator.Rising, PhaseSince: noon(), Quality: estimator.QualityOK,
	}
	return s
}

// run steps every interval for a while; change may alter the input before each.
func (s *scene) run(span, every time.Duration, change func(*Input)) {
	for end := s.in.At.Add(span); s.in.At.Before(end); {
		s.in.At = s.in.At.Add(every)
		s.in.Estimate.Time = s.in.At
		if s.in.Estimate.Quality == estimator.QualityOK {
			s.in.Estimate.LastSeen = s.in.At
		}
		if change != nil {
			change(&s.in)
		}
		for _, c := range s.w.Evaluate(s.in) {
			a, words := c.Alarm, ""
			if c.What == WasRefreshed {
				continue
			}
			if c.What != WasResolved || policyOf(a.Kind).tellsEnd {
				words = strings.ReplaceAll(strings.TrimSpace(fmt.Sprintf(" p%d | %s | %s %s", a.Priority, a.Title, a.Text, a.Tap)), "\u00a0", " ")
			}
			s.said, s.lines = append(s.said, c), append(s.lines, fmt.Sprintf("%s %s %s %s %s", s.in.At.Format("15:04"), c.What, a.Kind, a.Reason, words))
		}
	}
}

// then changes the estimate and runs on, a step every five seconds.
func (s *scene) then(span time.Duration, change func(*estimator.Estimate)) {
	if change != nil {
		change(&s.in.Estimate)
	}
	s.run(span, 5*time.Second, nil)
}

// ready sets a forecast some minutes after noon.
func (s *scene) ready(minutes float64) {
	at := noon().Add(time.Duration(minutes * float64(time.Minute)))
	s.in.Estimate.Ready = estimator.Window{From: at.Add(-10 * time.Minute), Median: at, Until: at.Add(15 * time.Minute)}
	s.in.Estimate.Even = at
}

// atTarget returns a change to a rise at its target or beyond.
func atTarget(phase estimator.Phase, percent float64) func(*estimator.Estimate) {
	return func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = phase, true, percent }
}

// seen returns a change of what the readings are worth.
func seen(q estimator.Quality) func(*estimator.Estimate) {
	return func(e *estimator.Estimate) { e.Quality = q }
}

// warm returns a change to a dough temperature.
func warm(c float64) func(*estimator.Estimate) { return func(e *estimator.Estimate) { e.DoughC = c } }

// sleep lets a scene sleep for 40 minutes after ten minutes of readings. On waking no
// sensor has been asked yet, and the thermometer's last answer was a fault.
func (s *scene) sleep() {
	s.then(10*time.Minute, nil)
	seenAt := s.in.At
	s.in.At = s.in.At.Add(40 * time.Minute)
	s.in.System.Awake = s.in.At
	s.in.Silent = []Silent{{"dough", seenAt}}
	s.in.Estimate.Quality = estimator.QualityGap
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

// bread moves the ready time of the scene's plan.
func bread(by time.Duration) func(*Input) {
	planned := noon().Add(8 * time.Hour)
	return func(in *Input) {
		at := planned.Add(by)
		in.Plan = &bake.PlanState{Wanted: planned.Add(40 * time.Minute), Planned: estimator.Window{Median: planned},
			Ready: estimator.Window{From: at.Add(-20 * time.Minute), Median: at, Until: at.Add(40 * time.Minute)}}
	}
}

// fed is the care of an invented starter fed at noon: peak at 16:00, hungry at
// 19:00, next feed at 18:00.
func fed() *bake.Care {
	at := func(h float64) time.Time { return noon().Add(time.Duration(h * float64(time.Hour))) }
	return &bake.Care{Feed: bake.NewFeed(noon(), 1, 60, 0), Peak: estimator.Window{From: at(3), Median: at(4), Until: at(5)},
		UseFrom: at(3.4), UseUntil: at(5), Hungry: estimator.Window{From: at(6), Median: at(7), Until: at(8)}, NextFeed: at(6)}
}

// unwatched runs a vessel of which nothing is watched, though everything is wrong.
func (s *scene) unwatched(phase estimator.Phase) {
	s.in.RiseID, s.in.Silent = 0, []Silent{{Sensor: "dough"}}
	s.then(time.Hour, func(e *estimator.Estimate) {
		e.Phase, e.Quality, e.DoughC, e.AirC = phase, estimator.QualityGap, 60, 60
	})
}

// plays shows its states one after another, 40 minutes each.
func plays(then ...func(*Input)) func(*scene) {
	return func(s *scene) {
		for _, change := range then {
			s.run(40*time.Minute, 15*time.Second, change)
		}
	}
}

// moments are those of a household, one for each thing that can be told.
func moments() map[string]func(*scene) {
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
	return map[string]func(*scene){
		"near": plays(near),
		"near, but it may stall": plays(doughAt(func(e *estimator.Estimate) {
			e.Even, e.Ready = soon(20)
			e.RisePercent, e.ReachChance, e.CeilingLow = 88, 0.7, 93
		})),
		"near, and the fridge comes in time": plays(doughAt(func(e *estimator.Estimate) { e.Even, e.Ready = soon(20); e.RisePercent, e.CarryOverPercent = 88, 22 })),
		"reached":                            plays(reached(101)),
		"reached, then left alone":           plays(func(in *Input) { in.Estimate.CarryOverPercent = 87; reached(101)(in) }, reached(128)),
		"no rise left":                       plays(doughAt(func(e *estimator.Estimate) { e.RisePercent, e.Exhausted = 82, true })),
		"sinking": plays(doughAt(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.RisePercent, e.PeakPercent = estimator.Fallen, noon(), 118, 131
		})),
		"levels off": plays(doughAt(func(e *estimator.Estimate) { e.LevelsOffShort, e.RisePercent, e.CeilingPercent = true, 70, 78 })),
		"creeps": plays(doughAt(func(e *estimator.Estimate) {
			e.ReachChance, e.RisePercent, e.CeilingPercent, e.EquivalentHours = 0.4, 82, 95, 8
		})),
		"a proof": plays(
			proving(doughAt(func(e *estimator.Estimate) { e.Even, e.Ready = soon(20); e.RisePercent = 38 })),
			proving(doughAt(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 46 })),
			proving(doughAt(func(e *estimator.Estimate) { e.RisePercent = 80 }))),
		"a starter": plays(starterAt(estimator.Peak, 140, 140), starterAt(estimator.Falling, 120, 140), starterAt(estimator.Hungry, 90, 140)),
		"a weak starter": plays(func(in *Input) {
			starterAt(estimator.Peak, 60, 60)(in)
			in.Findings = make([]bake.Finding, 1)
		}),
		"a starter that has not sunk":       plays(starterAt(estimator.Falling, 85, 85.3), starterAt(estimator.Hungry, 85, 85.3)),
		"a fold":                            plays(due("fold-2", nil)),
		"preheat":                           plays(due(bake.PreheatID, nil)),
		"the end of a proof":                plays(due(bake.ProofID, unseen)),
		"out of the oven":                   plays(due(bake.OutID, after)),
		"out of the oven, without a probe":  plays(due(bake.OutID, unseen)),
		"the end of a proof, by the basket": plays(due(bake.ProofID, with(func(a *bake.After) { a.Basis = bake.BasketBasis }))),
		"the end of a proof, by the sample": plays(due(bake.ProofID, with(func(a *bake.After) { a.Basis = bake.SampleBasis }))),
		"out by the clock, not done":        plays(due(bake.OutID, with(func(a *bake.After) { a.DoneAt, a.CoreC = time.Time{}, 81 }))),
		"slice":                             plays(due(bake.SliceID, with(func(a *bake.After) { a.CoreC = 34.8 }))),
		"slice, without a probe":            plays(due(bake.SliceID, unseen)),
		"bread later":                       plays(planned(35 * time.Minute)),
		"bread too late":                    plays(planned(2 * time.Hour)),
		"bread sooner":                      plays(planned(-time.Hour)),
		"nothing sees it":                   plays(func(in *Input) { in.Now.Key = bake.TodoSee }),
		"ready at night":                    plays(advised(bake.AdviseFridge, false)),
		"ready at night, short in the cold": plays(advised(bake.AdviseShort, false)),
		"ready while nobody is there":       plays(advised(bake.AdviseShape, true)),
		"a loaf ready at night":             plays(advised(bake.AdviseLoaf, false)),
		"a starter that peaks at night":     plays(advised(bake.AdviseStarter, false)),
		"hot":                               plays(degrees(33.4)),
		"cold":                              plays(degrees(14.5), degrees(11)),
		"the oven":                          plays(func(in *Input) { in.Estimate.AirC = 22 + 0.2*in.At.Sub(noon()).Seconds() }),
		"the oven, by the dough": plays(func(in *Input) {
			in.Estimate.DoughC = 24 + 0.05*in.At.Sub(noon()).Minutes()*in.At.Sub(noon()).Minutes()
		}),
		"not seen": plays(lost(estimator.NothingInRange), doughAt(func(e *estimator.Estimate) { e.Quality = estimator.QualityOK })),
		"never seen": plays(func(in *Input) {
			lost(estimator.NoReading)(in)
			in.Estimate.LastSeen, in.Estimate.RisePercent = time.Time{}, nan
		}),
		"a thermometer": plays(func(in *Input) { in.Silent = []Silent{{"dough", noon()}, {Sensor: "air"}} }),
		"nobody watched": plays(func(in *Input) {
			in.System.Unwatched = bake.Span{From: noon().Add(-100 * time.Minute), Until: noon()}
			in.Estimate.Even, in.Estimate.Ready = soon(70)
		}),
		"the machine": plays(func(in *Input) { in.System = System{DiskFreeRatio: 0.034, UnderVoltage: true} }),
	}
}

// hours are invented ones, in which something goes on.
func hours() map[string]func(*scene) {
	const m = time.Minute
	return map[string]func(*scene){
		"a rise from its near warning to its fall, each told once": func(s *scene) {
			s.ready(90)
			s.then(88*m, nil)
			s.then(30*m, atTarget(estimator.Ready, 100))
			s.then(30*m, atTarget(estimator.Over, 128))
			s.then(10*m, atTarget(estimator.Over, 143))
			s.then(10*m, func(e *estimator.Estimate) { e.Exhausted = true })
			s.then(10*m, func(e *estimator.Estimate) { e.Phase, e.RisePercent, e.PeakPercent = estimator.Fallen, 90, 131 })
			s.in.RiseID = 0
			s.then(10*m, func(e *estimator.Estimate) { e.Phase = estimator.Ended })
		},
		"one bad fit, kept for a minute and a half, raises no near": func(s *scene) {
			s.ready(180)
			s.then(20*m, nil)
			s.ready(30)
			s.then(90*time.Second, nil)
			s.ready(180)
			s.then(20*m, nil)
		},
		"near never comes after reached": func(s *scene) {
			s.then(5*m, atTarget(estimator.Ready, 101))
			s.then(30*m, func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Near, false, 97 })
			s.then(5*m, atTarget(estimator.Ready, 101))
		},
		"no rise left before the target": func(s *scene) {
			s.then(12*m, func(e *estimator.Estimate) { e.LevelsOffShort, e.RisePercent, e.CeilingPercent = true, 70, 78 })
			s.then(12*m, func(e *estimator.Estimate) { e.Exhausted, e.Phase = true, estimator.Over })
		},
		"over by the account of the work, whatever the phase and however long": func(s *scene) {
			s.in.OverPercent = 104
			s.in.Estimate.TargetPercent = 75
			s.then(2*time.Hour, atTarget(estimator.Over, 103))
			s.then(10*m, atTarget(estimator.Over, 106))
		},
		"a new rise is told again": func(s *scene) {
			s.then(5*m, atTarget(estimator.Ready, 100))
			s.in.RiseID = 8
			s.then(5*m, func(e *estimator.Estimate) { e.Started = s.in.At })
		},
		"a starter's day": func(s *scene) {
			s.in.Holds, s.in.Vessel = estimator.Starter, "rye"
			for _, p := range []estimator.Phase{estimator.Peak, estimator.Falling, estimator.Hungry} {
				s.then(20*m, func(e *estimator.Estimate) { e.Phase, e.PhaseSince = p, s.in.At })
			}
		},
		"heat: shorter than its hold, around the limit, gone too shortly, gone and back": func(s *scene) {
			s.then(4*m, warm(32.5))
			s.then(m, warm(30.9))
			s.then(4*m, warm(32.1))
			s.then(2*m, warm(31.5)) // within the hysteresis: still held
			for range 10 {
				s.then(m, warm(32.1))
				s.then(m, warm(31.6))
			}
			s.then(3*m, warm(30))
			s.then(3*m, warm(33))
			s.then(10*m, warm(29))
			s.then(10*m, warm(33))
		},
		"cold: not in the fridge, not while it warms, else": func(s *scene) {
			s.then(30*m, nil)
			s.in.InFridge = true
			s.then(2*time.Hour, warm(6))
			s.in.InFridge = false
			out := s.in.At
			s.run(2*time.Hour, 10*time.Second, func(in *Input) { in.Estimate.DoughC = 22 - 16*math.Exp(-in.At.Sub(out).Hours()/3) })
			s.then(time.Hour, warm(15))
		},
		"cold in a fridge that nobody told: the air says it all": func(s *scene) {
			s.in.Estimate.AirC = 5
			s.then(2*time.Hour, warm(12))
		},
		"a lid off for some minutes": func(s *scene) {
			s.then(10*m, nil)
			s.then(4*m, seen(estimator.QualityGap))
			s.then(10*m, seen(estimator.QualityOK))
		},
		"a household that waits long hears of odd readings earlier, and of both as one trouble": func(s *scene) {
			s.w = NewEvaluator(text.New(text.Locale{}), 30*m)
			s.then(10*m, nil)
			s.then(40*m, seen(estimator.QualitySuspect))
		},
		"a bus that takes all sensors away is one trouble": func(s *scene) {
			s.then(10*m, nil)
			s.in.Silent = []Silent{{"dough", s.in.At}, {"air", s.in.At}}
			s.then(time.Hour, seen(estimator.QualityGap))
		},
		"a sleep loses no sensor": func(s *scene) {
			s.sleep()
			s.then(m, nil)
			s.in.Silent = nil
			s.then(30*m, seen(estimator.QualityOK))
		},
		"a sensor that stays away after a sleep is told from waking on": func(s *scene) {
			s.sleep()
			s.then(14*m, nil)
		},
		"a thermometer that stays away after a sleep": func(s *scene) {
			s.sleep()
			s.then(30*m, seen(estimator.QualityOK))
		},
		"a vessel that is idle": func(s *scene) { s.unwatched(estimator.Idle) },
		"a rise that has ended": func(s *scene) { s.unwatched(estimator.Ended) },
		"a moved plan outlives the rise and ends with the plan": func(s *scene) {
			s.run(20*m, m, bread(time.Hour))
			s.in.Estimate.Phase = estimator.Ended
			s.run(20*m, m, bread(time.Hour))
			s.in.Plan = nil
			s.run(20*m, m, nil)
		},
		"a sample jar is silent once its loaf has proofed": func(s *scene) {
			s.in.ProofBasis, s.in.ProofOf, s.in.Loaf.Told = bake.SampleBasis, "vat", true
			s.ready(40)
			s.then(30*m, nil)
			s.then(15*m, atTarget(estimator.Over, 125))
			s.then(15*m, func(e *estimator.Estimate) { e.LevelsOffShort = true })
		},
		"what a sample jar told ends with its loaf's proof": func(s *scene) {
			s.in.ProofBasis, s.in.ProofOf, s.in.Loaf = bake.SampleBasis, "vat", Loaf{Told: true, By: estimator.Window{Median: noon()}}
			s.then(10*m, atTarget(estimator.Ready, 100))
			s.in.Loaf.By = estimator.Window{}
			s.then(10*m, nil)
		},
		"near follows the forecast": func(s *scene) {
			s.ready(40)
			s.then(15*m, nil)
			s.ready(75)
			s.then(10*m, nil)
			s.ready(80) // not worth a word
			s.then(10*m, nil)
			s.ready(55)
			s.then(10*m, nil)
		},
		"a fold, told once": func(s *scene) {
			s.in.Steps = []bake.Step{{ID: "fold-1", Name: bake.Said{Key: "step.fold.name"}, Do: bake.Said{Key: "step.fold.do"}, Caution: bake.Sentences{{Key: "caution.flour"}},
				At: noon(), From: noon(), Until: noon(), State: bake.Waiting}}
			s.then(10*m, nil)
			s.in.Steps[0].State = bake.DueNow
			s.then(10*m, nil)
			s.in.Steps[0].State = bake.Done
			s.then(10*m, nil)
		},
		"a sensor that is lost, comes back badly and well": func(s *scene) {
			s.then(10*m, nil)
			s.then(4*m, func(e *estimator.Estimate) {
				e.Quality, e.QualityReason = estimator.QualitySuspect, estimator.VesselMoved
			})
			s.then(20*m, func(e *estimator.Estimate) {
				e.Quality, e.QualityReason = estimator.QualityGap, estimator.NothingInRange
			})
			s.then(3*m, seen(estimator.QualitySuspect)) // still not well
			s.then(m, seen(estimator.QualityGap))
			s.then(20*m, seen(estimator.QualityOK))
		},
		"readings that show no dough are told as loudly as none": func(s *scene) {
			s.then(10*m, nil)
			s.then(20*m, func(e *estimator.Estimate) {
				e.Quality, e.QualityReason = estimator.QualitySuspect, estimator.NothingInRange
			})
		},
		"and from the start": func(s *scene) { s.then(20*m, seen(estimator.QualitySuspect)) },
		"an oven, and no heat on top": func(s *scene) {
			s.then(10*m, nil)
			onset := s.in.At
			s.run(10*m, 5*time.Second, func(in *Input) {
				in.Estimate.AirC, in.Estimate.DoughC = 22+12*in.At.Sub(onset).Minutes(), 24+2*in.At.Sub(onset).Minutes()
			})
		},
		"an oven between two steps": func(s *scene) {
			onset := s.in.At.Add(10 * m)
			s.run(20*m, 10*time.Second, func(in *Input) {
				for _, at := range []time.Time{in.At.Add(-5 * time.Second), in.At} {
					s.w.Observe(at, 24, 22+max(0, 15*at.Sub(onset).Minutes()))
				}
			})
		},
		"nobody watched, and no reading yet": func(s *scene) {
			s.ready(-20)
			s.in.System.Unwatched = bake.Span{From: noon().Add(-100 * m), Until: noon()}
			s.then(2*time.Hour, func(e *estimator.Estimate) { e.Quality, e.RisePercent = estimator.QualityGap, 105 })
		},
		"nobody watched, and the reading is an old one": func(s *scene) {
			s.in.System.Unwatched = bake.Span{From: noon().Add(-2 * m), Until: noon()}
			s.run(4*m, 5*time.Second, func(in *Input) { in.Estimate.LastSeen = noon().Add(-2 * m) })
		},
		"nobody watched, and a reading": func(s *scene) {
			s.in.System.Unwatched = bake.Span{From: noon().Add(-2 * m), Until: noon()}
			s.then(10*time.Second, nil)
		},
		"bread slips, slips more, comes back and comes too early": func(s *scene) {
			for _, by := range []time.Duration{20, 35, 42, 70, 0, -45} {
				s.run(30*m, m, bread(by*m))
			}
		},
		"not seen: missing":    func(s *scene) { s.fault("missing") },
		"not seen: stuck":      func(s *scene) { s.fault("stuck") },
		"not seen: stale":      func(s *scene) { s.fault("stale") },
		"not seen: unreliable": func(s *scene) { s.fault("unreliable") },
	}
}

// fault is a height sensor that answers with a fault after ten minutes.
func (s *scene) fault(status string) {
	s.then(10*time.Minute, nil)
	s.in.HeightFault = status
	s.then(10*time.Minute, func(e *estimator.Estimate) { e.Quality, e.QualityReason = estimator.QualityGap, estimator.NoReading })
}

// feeds are seven hours of a starter of which its feeds are known.
func feeds() map[string]func(*scene) {
	out := map[string]func(*scene){}
	for name, change := range map[string]func(*Input){
		"seen rising, past its usual time": func(*Input) {},
		"not seen":                         func(in *Input) { in.Estimate.Quality = estimator.QualityGap },
		"in the cold":                      func(in *Input) { in.InFridge = true },
		"seen hungry":                      func(in *Input) { in.Estimate.Phase = estimator.Hungry },
		"nothing known of its feeds":       func(in *Input) { in.Care, in.InFridge = nil, true },
		"not due yet":                      func(in *Input) { in.Care.NextFeed, in.InFridge = noon().AddDate(0, 0, 7), true },
	} {
		out["a starter "+name] = func(s *scene) {
			s.in.Holds, s.in.Vessel, s.in.Care = estimator.Starter, "jar", fed()
			change(&s.in)
			s.run(7*time.Hour, time.Minute, nil)
		}
	}
	return out
}

// proofs tell a proof as a proof, and the fridge only where it comes in time.
func proofs() map[string]func(*scene) {
	loaf := estimator.Window{From: noon().Add(100 * time.Minute), Median: noon().Add(110 * time.Minute), Until: noon().Add(2 * time.Hour)}
	out := map[string]func(*scene){}
	for name, c := range map[string]struct {
		proof bake.ProofBasis
		loaf  Loaf
		carry float64
	}{
		"a bulk": {"", Loaf{}, math.NaN()}, "a basket": {bake.BasketBasis, Loaf{}, 20}, "a sample jar": {bake.SampleBasis, Loaf{By: loaf, Told: true}, 20},
		"a sample jar of no bake": {bake.SampleBasis, Loaf{}, 20}, "a bulk for which the fridge comes in time": {"", Loaf{}, 20}, "a bulk for which the fridge comes too late": {"", Loaf{}, 87},
	} {
		begin := func(s *scene) {
			s.in.ProofBasis, s.in.ProofOf, s.in.Loaf, s.in.Estimate.CarryOverPercent = c.proof, "vat", c.loaf, c.carry
		}
		out[name+" from near to over"] = func(s *scene) {
			begin(s)
			s.ready(90)
			s.run(65*time.Minute, time.Minute, nil)
			atTarget(estimator.Ready, 100)(&s.in.Estimate)
			s.run(10*time.Minute, time.Minute, nil)
			atTarget(estimator.Over, 131)(&s.in.Estimate)
			s.run(15*time.Minute, time.Minute, nil)
		}
		out[name+" that levels off"] = func(s *scene) {
			begin(s)
			s.in.Estimate.LevelsOffShort, s.in.Estimate.CeilingPercent = true, 80
			s.run(15*time.Minute, time.Minute, nil)
		}
	}
	return out
}

// scenes are all of them.
func scenes() map[string]func(*scene) {
	all := moments()
	for _, more := range []map[string]func(*scene){hours(), feeds(), proofs()} {
		maps.Copy(all, more)
	}
	return all
}

// TestScenes words everything that can be told, to be read line by line. Of the machine an
// alarm names no vessel; a new episode is a new alarm, and one thing of one rise is the
// same. A restart at the end tells nothing again.
func TestScenes(t *testing.T) {
	for name, l := range map[string]text.Locale{"en": {}, "us": {Clock12: true, Fahrenheit: true}, "de": {Language: "de"}} {
		var b strings.Builder
		seen := map[Kind]bool{}
		for _, title := range slices.Sorted(maps.Keys(scenes())) {
			s := newScene(l)
			scenes()[title](s)
			fmt.Fprintf(&b, "# %s\n", title)
			for _, line := range s.lines {
				fmt.Fprintln(&b, strings.TrimSpace(line))
			}
			known := map[string]Alarm{}
			for _, c := range s.said {
				_, again := known[c.Alarm.ID]
				assert.Equal(t, c.What != WasRaised, again, "%s: %s", title, c.Alarm.ID)
				assert.Equal(t, ofMachine(c.Alarm.Kind), c.Alarm.Vessel == "")
				seen[c.Alarm.Kind], known[c.Alarm.ID] = true, c.Alarm
			}
			again := NewEvaluator(text.New(l), s.w.lost)
			again.Restore(slices.Collect(maps.Values(known)))
			s.w, s.said = again, nil
			s.run(time.Minute, 5*time.Second, nil)
			for _, c := range s.said {
				_, again := known[c.Alarm.ID]
				assert.False(t, again && c.What == WasRaised, "%s: %s again after a restart", title, c.Alarm.ID)
			}
		}
		require.NotContains(t, b.String(), "{")
		golden(t, "messages."+name+".txt", b.String())
		for _, k := range Kinds() {
			assert.True(t, seen[k], "%s is not worded by any scene", k)
		}
	}
}

var update = flag.Bool("update", false, "rewrite the golden files")

// golden compares with a file, or rewrites it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
		return
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	lines := strings.Split(string(want), "\n")
	for i, line := range strings.Split(got, "\n") {
		require.Less(t, i, len(lines), "%s ends; got %s", path, line)
		require.Equal(t, lines[i], line, "%s:%d", path, i+1)
	}
	assert.Equal(t, len(string(want)), len(got), "%s goes on", path)
}
