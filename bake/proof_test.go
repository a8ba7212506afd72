package bake

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/estimator"
)

// held is a piece of dough that stood so warm since 14:00.
func held(c float64) piece {
	var p piece
	p.follow(at(14, 0), at(14, 30), c)
	return p
}

// Speed at the published temperatures relative to 24 C: midway between 0.6161
// (Ganzle 1998) and 0.743536 (cardinal model with 4, 32.3, 45.4 C) at 20 C.
func TestEquivalentHoursOfAPiece(t *testing.T) {
	assert.InDelta(t, 3, held(24).had(at(17, 0)), 1e-9)
	assert.InDelta(t, 3*(0.6161+0.7435)/2, held(20).had(at(17, 0)), 0.001)
	var ramp piece
	for m := 0; m <= 120; m += 5 {
		ramp.follow(at(14, 0), at(14, m), 20+8*float64(m)/120)
	}
	ramp.follow(at(14, 0), at(17, 0), math.NaN())
	assert.Equal(t, at(16, 0), ramp.At)
	assert.InDelta(t, 2, ramp.Hours, 0.2, "up and down about 24 C nearly cancel")
}

func TestProofByTime(t *testing.T) {
	need := Spread{LowMin: 60, MidMin: 100, HighMin: 160}
	w := (&Track{Begun: at(14, 0), Loaf: held(24)}).byTime(at(14, 30), 24, need)
	assert.Equal(t, []string{"15:00", "15:40", "16:40"}, []string{w.From.Format("15:04"), w.Median.Format("15:04"), w.Until.Format("15:04")})
	cold := (&Track{Begun: at(14, 0)}).byTime(at(14, 30), 20, need)
	assert.True(t, cold.Median.After(w.Median.Add(30*time.Minute)))
}

// A jar that stood warmer is ahead: the loaf follows by the equivalent time it
// still lacks.
func TestSampleJarCorrected(t *testing.T) {
	jar := estimator.Window{From: at(15, 0), Median: at(15, 20), Until: at(15, 50)}
	s := Track{Jar: held(24), Loaf: held(20)}
	w, why := s.loafReady(at(15, 0), jar, 24)
	assert.Contains(t, words(why), "ahead of the loaf")
	lacks := 1 - (0.6161+0.7435)/2 // hours at 24 C in the first hour
	assert.InDelta(t, lacks*60, w.Median.Sub(jar.Median).Minutes(), 0.5)
	assert.Greater(t, w.Until.Sub(w.From), jar.Until.Sub(jar.From), "the correction has a doubt of its own")

	same, why := (&Track{Jar: held(24), Loaf: held(24)}).loafReady(at(15, 0), jar, 24)
	assert.Equal(t, jar.Median, same.Median)
	assert.Equal(t, "By the sample jar.", words(why))
	blind, _ := (&Track{Jar: held(24)}).loafReady(at(15, 0), jar, 24)
	assert.Equal(t, jar, blind)
	over, _ := s.loafReady(at(15, 30), jar, 24)
	assert.True(t, over.Median.After(at(15, 30)), "the jar is past its mark, the loaf is not")
}

// A loaf that cools by the law is foretold by it, where the readings tell anything.
func TestLoafCooling(t *testing.T) {
	core := func(min float64) float64 { return 22 + (97-22)*math.Exp(-0.75*min/60) }
	for name, c := range map[string]struct{ after, c, roomC float64 }{
		"too soon": {10, core(10), 22}, "a core out of reach in that room": {40, core(40), 34.5}, "a room above the core": {40, core(40), 95}, "falling as no loaf does": {16, 36, 22},
	} {
		s := Track{Peak: tempPoint{at(17, 0), 97}}
		s.coolBy(at(17, int(c.after)), c.c, c.roomC)
		assert.Zero(t, s.CoolBy, name)
	}
	s := Track{Peak: tempPoint{at(17, 0), 97}}
	s.coolBy(at(17, 40), core(40), 22)
	assert.InDelta(t, 60*math.Log(75.0/13)/0.75, s.CoolBy.Median.Sub(at(17, 0)).Minutes(), 0.1)
	assert.True(t, s.CoolBy.From.Before(s.CoolBy.Median) && s.CoolBy.Median.Before(s.CoolBy.Until))
	s.coolBy(at(18, 30), 34.9, 22)
	assert.Equal(t, at(18, 30), s.CoolBy.Median, "it is")
	s.coolBy(at(18, 40), 34, 22)
	assert.Equal(t, at(18, 30), s.CoolBy.Median, "and was")
}

// Once the loaf has had its time, the moment stays where it was, however long
// the colder jar still takes.
func TestSampleJarMomentStaysOncePassed(t *testing.T) {
	jar := estimator.Window{From: at(15, 30), Median: at(15, 40), Until: at(15, 50)}
	s := Track{Jar: held(20), Loaf: held(24)}
	want := at(14, 0).Add(time.Duration(100 * (0.6161 + 0.7435) / 2 * float64(time.Minute))) // 100 min at 20 C
	for _, now := range []time.Time{at(15, 20), at(15, 41), at(17, 0)} {
		w, _ := s.loafReady(now, jar, 20)
		assert.WithinDuration(t, want, w.Median, time.Minute, now)
		assert.False(t, w.From.After(w.Median) || w.Median.After(w.Until))
	}
}
