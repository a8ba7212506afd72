package alert

import (
	"flag"
	"maps"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
)

// The curves below are our own inventions with round figures, not measurements.
// Heating-up rates of household ovens and the lag of probes are from memory:
// air in a domestic oven climbs some 10 to 25 C a minute; a steel-capped probe
// in still air lags by one to two minutes, a bare one by about half a minute.

// curve is the true air temperature around the probe, C, against seconds from
// the onset (negative before it).
type curve func(s float64) float64

// probeLags are time constants of probes in air, seconds.
func probeLags() []float64 { return []float64{5, 15, 30, 60, 90} }

// level is a curve that does not move.
func level(c float64) curve { return pulse(c, c, 0) }

// step goes from one temperature to another at the onset.
func step(from, to float64) curve { return pulse(from, to, math.Inf(1)) }

// drift approaches a temperature with a time constant in seconds.
func drift(from, to, tau float64) curve {
	return func(s float64) float64 {
		if s < 0 {
			return from
		}
		return to - (to-from)*math.Exp(-s/tau)
	}
}

// ramp climbs at a rate in C a minute up to a top.
func ramp(from, cpm, top float64) curve {
	return func(s float64) float64 {
		if s < 0 {
			return from
		}
		return math.Min(top, from+cpm*s/60)
	}
}

// pulse is another temperature for some seconds.
func pulse(from, to, seconds float64) curve {
	return func(s float64) float64 {
		if s < 0 || s > seconds {
			return from
		}
		return to
	}
}

// through runs a curve through a probe of a time constant and returns readings,
// with the noise and the 1/16 C steps of a digital probe.
func through(env curve, tau float64, before, after, every float64, rng *rand.Rand) (times, readings []float64) {
	const dt = 0.25
	c := env(-before)
	next := -before + rng.Float64()*every
	for s := -before; s <= after; s += dt {
		c += (env(s) - c) * (1 - math.Exp(-dt/tau))
		if s >= next {
			noisy := c + 0.04*rng.NormFloat64()
			times = append(times, s)
			readings = append(readings, math.Round(noisy*16)/16)
			next += every
		}
	}
	return times, readings
}

// alarmAt feeds readings to a probe in the air or in dough and returns the seconds after
// the onset of the first alarm; NaN when there is none.
func alarmAt(air bool, times, readings []float64) (float64, *heating) {
	h := &probe{air: air}
	for i, s := range times {
		if a := h.add(noon().Add(time.Duration(s*float64(time.Second))), readings[i], ovenLimitC); a != nil {
			return s, a
		}
	}
	return math.NaN(), nil
}

// heatSeeds is how many noisy runs of every curve and probe are tried; a long
// campaign is go test -run 'Oven|Silent' -heatseeds 150.
var heatSeeds = flag.Int("heatseeds", 1, "noisy runs of every warm-up curve")

func TestOvenIsNoticedWithinAMinute(t *testing.T) {
	for _, c := range []struct {
		name string
		env  curve
		lags []float64
	}{
		{"electric oven, 15 C a minute, from the oven light's 26 C", ramp(26, 15, 230), probeLags()},
		{"fan oven, 20 C a minute, from room temperature", ramp(21, 20, 230), probeLags()},
		{"gas oven, 25 C a minute", ramp(22, 25, 230), probeLags()},
		{"slow oven, 10 C a minute, from 26 C", ramp(26, 10, 230), []float64{5, 15, 30}},
		{"small worn oven, 8 C a minute, from 27 C", ramp(27, 8, 200), []float64{5, 15, 30}},
		{"oven that levels off like a real one", drift(24, 230, 600), probeLags()},
		{"warming drawer left on high, 6 C a minute", ramp(28, 6, 80), []float64{5, 15}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, lag := range c.lags {
				for seed := range uint64(*heatSeeds) {
					rng := rand.New(rand.NewPCG(seed, uint64(lag)))
					times, readings := through(c.env, lag, 300, 300, 5, rng)
					s, a := alarmAt(true, times, readings)
					if assert.Falsef(t, math.IsNaN(s), "lag %g s, seed %d: never noticed", lag, seed) {
						assert.GreaterOrEqualf(t, s, 0.0, "lag %g s, seed %d: noticed before the onset", lag, seed)
						assert.LessOrEqualf(t, s, 60.0, "lag %g s, seed %d: %s", lag, seed, a.reason)
					}
				}
			}
		})
	}
}

// The cases of two given records (invented data as well): dough, read every 10 s or
// every minute, that warms by 2.7 C and by 3.9 C in the first eight minutes of an
// oven, and no probe in the air.
func TestOvenIsNoticedFromTheDoughWithinEightMinutes(t *testing.T) {
	for _, oven := range []struct {
		name         string
		cpm2         float64 // warming, C a minute squared
		every, share float64 // s; share of runs that must be told in time
	}{
		{"a slow one", 0.042, 10, 1}, {"a slow one", 0.042, 60, 0.6},
		{"a usual one", 0.055, 10, 1}, {"a usual one", 0.055, 30, 0.9}, {"a usual one", 0.055, 60, 0.8},
		{"a quick one", 0.1, 10, 1}, {"a quick one", 0.1, 60, 1},
	} {
		for _, drift := range []float64{0, 0.03} {
			late := 0
			const runs = 20
			for seed := range uint64(runs) {
				rng := rand.New(rand.NewPCG(seed, 8))
				var times, readings []float64
				for s := -1200 + oven.every*rng.Float64(); s < 1500; s += oven.every {
					c := 24 + drift*s/60 + 0.05*rng.NormFloat64() + oven.cpm2*math.Pow(max(0, s)/60, 2)
					times, readings = append(times, s), append(readings, math.Round(c*16)/16)
				}
				s, a := alarmAt(false, times, readings)
				require.NotNilf(t, a, "%s, every %g s, seed %d: never told", oven.name, oven.every, seed)
				require.Greater(t, s, 0.0)
				require.Less(t, a.nowC, 38.0)
				if s > 480 {
					late++
				}
			}
			assert.LessOrEqualf(t, float64(late), (1-oven.share)*runs, "%s, every %g s, drift %g: %d of %d told later", oven.name, oven.every, drift, late, runs)
		}
	}
}

// A probe in the air that is read seldom tells within a minute and one reading, or
// two readings if that is more.
func TestOvenIsNoticedFromTheAirReadSeldom(t *testing.T) {
	for _, every := range []float64{10, 15, 20, 30, 60, 90} {
		for _, env := range []curve{ramp(25, 17, 230), ramp(19, 18, 230), ramp(26, 21, 230)} {
			for i := range 9 {
				phase := every * (0.08 + 0.1*float64(i)) // of the first reading after the onset
				var times, readings []float64
				for s := phase - 20*every; s < 900; s += every {
					times, readings = append(times, s), append(readings, math.Round((env(s)+0.05*math.Sin(7*s))*16)/16)
				}
				s, a := alarmAt(true, times, readings)
				require.NotNilf(t, a, "every %g s, first after %g s", every, phase)
				assert.LessOrEqualf(t, s, max(60, every)+every, "every %g s, first after %g s", every, phase)
			}
		}
	}
}

// silentCurves are warm-ups of daily life that must not be taken for an oven.
func silentCurves() map[string]curve {
	sunAndCloud := func(s float64) float64 {
		if s < 0 || math.Mod(s, 600) > 300 {
			return 22
		}
		return 34
	}
	return map[string]curve{
		"nothing happens":                               level(24),
		"oven light, closed oven":                       drift(21, 29, 1500),
		"strong oven light, small oven":                 drift(21, 36, 1200),
		"proofing box with a heater mat":                ramp(21, 0.5, 30),
		"warm-water bath for a jar":                     drift(20, 30, 600),
		"sun comes round to the sill":                   drift(22, 36, 240),
		"sun behind passing clouds":                     sunAndCloud,
		"warm draught from a radiator":                  drift(21, 28, 60),
		"short warm draught":                            pulse(22, 30, 60),
		"oven door opened nearby":                       pulse(23, 33, 20),
		"draught that comes and stays":                  step(21, 28),
		"probe moved from the fridge to the room":       step(4, 21),
		"probe moved from the fridge to a warm place":   step(4, 28),
		"probe moved from the freezer to the room":      step(-18, 22),
		"probe moved from the room to the oven light":   step(20, 30),
		"a hand holds the probe":                        step(21, 34),
		"a warm hand takes the probe out of the fridge": step(5, 34),
		"a hand holds the probe and lets go":            pulse(21, 34, 45),
		"probe put into warm dough":                     step(21, 29),
		"probe rinsed under warm water":                 pulse(21, 37, 15),
		"a window sill in the sun, warmed through":      drift(22, 35, 900),
		"a hand that warms the probe bit by bit":        drift(21, 34, 120),
		"heating comes on in the morning":               drift(17, 22, 2400),
	}
}

// wetCurves are warm-ups of daily life that only a probe in dough meets.
func wetCurves() map[string]curve {
	return map[string]curve{
		"the jar in water of 35 C":                    step(20, 35),
		"the jar in water of 38 C, heated meanwhile":  drift(22, 38, 120),
		"hands around the jar for three minutes":      pulse(21, 34, 180),
		"hands around the jar for six minutes":        pulse(21, 34, 360),
		"water of 36 C poured in for a minute":        ramp(22, 14, 36),
		"water of 36 C trickled in for two minutes":   ramp(22, 7, 36),
		"a warm tap over the probe for a minute":      pulse(21, 42, 60),
		"a hot tap over the jar for a quarter minute": pulse(21, 52, 15),
	}
}

func TestDailyLifeStaysSilent(t *testing.T) {
	curves, wet := silentCurves(), wetCurves()
	maps.Copy(curves, wet)
	for name, env := range curves {
		t.Run(name, func(t *testing.T) {
			for _, every := range []float64{1, 5, 10, 60} {
				for _, lag := range append(probeLags(), 180, 600, 1800, 3600) {
					if every == 1 && lag > 60 {
						continue // kept no denser than every 4 s, so that only quick ones differ
					}
					for seed := range uint64(*heatSeeds) {
						rng := rand.New(rand.NewPCG(seed, uint64(lag)))
						times, readings := through(env, lag, 600, 1800, every, rng)
						if s, a := alarmAt(true, times, readings); a != nil && wet[name] == nil {
							t.Fatalf("air read every %g s, lag %g s, seed %d: alarm after %.0f s: %+v", every, lag, seed, s, *a)
						}
						if s, a := alarmAt(false, times, readings); a != nil {
							t.Fatalf("dough read every %g s, lag %g s, seed %d: alarm after %.0f s: %+v", every, lag, seed, s, *a)
						}
					}
				}
			}
		})
	}
}

// One bad temperature does nothing, nor does one that is shown again at every step until
// the next reading comes.
func TestOneBadTemperatureDoesNothing(t *testing.T) {
	for _, bad := range []float64{85, 127.9375, 60, 45, -55} {
		for _, every := range []float64{1, 5, 10, 60} {
			times, readings := through(level(24), 30, 600, 600, every, rand.New(rand.NewPCG(7, uint64(every))))
			readings[len(readings)/2] = bad
			_, a := alarmAt(true, times, readings)
			assert.Nilf(t, a, "%g C every %g s", bad, every)
		}
	}
	var times, readings []float64
	for s := 0; s < 1200; s += 5 {
		times, readings = append(times, float64(s)), append(readings, 24+0.0625*float64(s/60%2))
		if s >= 600 && s < 660 {
			readings[len(readings)-1] = 85
		}
	}
	_, a := alarmAt(false, times, readings)
	assert.Nil(t, a)
}

// A probe deep in the dough warms slowly however hot the oven is.
func TestDoughInsideAHeatingOvenIsNoticedBeforeTheLimit(t *testing.T) {
	times, readings := through(ramp(26, 15, 230), 3600, 1800, 3600, 5, rand.New(rand.NewPCG(1, 2)))
	_, a := alarmAt(false, times, readings)
	require.NotNil(t, a)
	assert.Less(t, a.nowC, ovenLimitC)
	assert.Equal(t, heatsTooFast, a.reason)
}

// A door that is opened feeds a fire: with smoke it stays shut, and that is said
// first, in each language. Common practice of fire services, no source.
func TestOvenSaysTheCaseWithSmokeFirst(t *testing.T) {
	for language, want := range map[string][]string{
		"en": {"Smoke or flame", "door shut", "everybody out", "fire service", "No smoke", "oven off", "take out the dough"},
		"de": {"Rauch oder Flammen", "geschlossen", "alle hinaus", "Feuerwehr", "Kein Rauch", "ausschalten", "herausnehmen"},
	} {
		s := newScene(text.Locale{Language: language})
		s.run(5*time.Minute, 5*time.Second, nil)
		s.run(2*time.Minute, 5*time.Second, func(in *Input) { in.Estimate.AirC += 1.4 })
		require.NotEmpty(t, s.said)
		at := -1
		for _, word := range want {
			next := strings.Index(s.said[0].Alarm.Text[at+1:], word)
			require.GreaterOrEqualf(t, next, 0, "%q after what comes before it in: %s", word, s.said[0].Alarm.Text)
			at += 1 + next
		}
	}
}
