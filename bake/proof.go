package bake

import (
	"math"
	"time"

	"tidemark/estimator"
)

// tempPoint is one temperature of dough, Celsius.
type tempPoint struct {
	At time.Time `json:"at"`
	C  float64   `json:"c"`
}

// equivalent adds up the hours at 24 C between two moments: straight between
// the points, the nearest point's value outside. Points must be in order; NaN
// temperatures are left out. NaN without any point.
func equivalent(points []tempPoint, from, until time.Time) float64 {
	var ok []tempPoint
	for _, p := range points {
		if !math.IsNaN(p.C) {
			ok = append(ok, p)
		}
	}
	if len(ok) == 0 {
		return math.NaN()
	}
	const step = 5 * time.Minute
	sum, i := 0.0, 0
	for t := from; t.Before(until); t = t.Add(step) {
		d := min(step, until.Sub(t))
		mid := t.Add(d / 2)
		for i+1 < len(ok) && !ok[i+1].At.After(mid) {
			i++
		}
		sum += d.Hours() * Speed(between(ok, i, mid))
	}
	return sum
}

// between is the temperature at t, where ok[i] is the last point before it.
func between(ok []tempPoint, i int, t time.Time) float64 {
	a := ok[i]
	if i+1 >= len(ok) || t.Before(a.At) {
		return a.C
	}
	b := ok[i+1]
	share := float64(t.Sub(a.At)) / float64(b.At.Sub(a.At))
	return a.C + share*(b.C-a.C)
}

// proofByTime gives when a final proof is over without a level sensor: by
// equivalent time, need being the usual minutes at 24 C. temps is the dough's
// temperature so far, roomC what it is expected to be from now on (0 or NaN
// when not known: the last value holds).
func proofByTime(begun, now time.Time, temps []tempPoint, roomC float64, need Spread) estimator.Window {
	done := equivalent(temps, begun, now)
	if math.IsNaN(done) {
		done = now.Sub(begun).Hours() * Speed(roomC)
	}
	c := roomC
	if c == 0 || math.IsNaN(c) {
		c = lastC(temps)
	}
	at := func(m int) time.Time { return now.Add(hoursOf((float64(m)/60 - done) / Speed(c))) }
	return estimator.Window{From: at(need.LowMin), Median: at(need.MidMin), Until: at(need.HighMin)}
}

// lastC is the last temperature that is a number; NaN when there is none.
func lastC(temps []tempPoint) float64 {
	for i := len(temps) - 1; i >= 0; i-- {
		if !math.IsNaN(temps[i].C) {
			return temps[i].C
		}
	}
	return math.NaN()
}

// sampleJar is a small jar of the same dough watched in its place. It cools and
// warms faster than the loaf; its own probe corrects for that.
type sampleJar struct {
	Begun time.Time   // when jar and loaf began the proof
	Jar   []tempPoint // the jar's own probe
	Loaf  []tempPoint // the loaf's probe, or followed from the room
	RoomC float64     // where both go from now on; 0 when not known
}

// ready turns the jar's forecast into the loaf's: the loaf is ready when it
// has had as much equivalent time as the jar will have had at its mark. The
// words say by how much the jar runs ahead.
func (s sampleJar) ready(now time.Time, jar estimator.Window) (estimator.Window, Said) {
	ej, el := equivalent(s.Jar, s.Begun, now), equivalent(s.Loaf, s.Begun, now)
	if math.IsNaN(ej) || math.IsNaN(el) || jar.IsZero() {
		return jar, Said{Key: "why.proof.sample"}
	}
	jarC, loafC := s.RoomC, s.RoomC
	if s.RoomC == 0 {
		jarC, loafC = lastC(s.Jar), lastC(s.Loaf)
	}
	at := func(t time.Time) time.Time {
		need := equivalent(s.Jar, s.Begun, t) // a mark already passed
		if t.After(now) {
			need = ej + t.Sub(now).Hours()*Speed(jarC)
		}
		if need < el {
			return s.loafHad(need, now)
		}
		return now.Add(hoursOf((need - el) / Speed(loafC)))
	}
	w := estimator.Window{From: at(jar.From), Median: at(jar.Median), Until: at(jar.Until)}
	doubt := time.Duration(0.1 * math.Abs(float64(w.Median.Sub(jar.Median)))) // of the correction itself
	w.From, w.Until = w.From.Add(-doubt), w.Until.Add(doubt)
	switch ahead := hoursOf(ej - el).Round(time.Minute); {
	case ahead > 2*time.Minute:
		return w, Said{"why.proof.sample.ahead", Values{"span": ahead}}
	case ahead < -2*time.Minute:
		return w, Said{"why.proof.sample.behind", Values{"span": -ahead}}
	}
	return w, Said{Key: "why.proof.sample"}
}

// loafHad is when the loaf had so many equivalent hours, before now.
func (s sampleJar) loafHad(hours float64, now time.Time) time.Time {
	low, high := time.Duration(0), now.Sub(s.Begun)
	for high-low > time.Second {
		mid := (low + high) / 2
		if equivalent(s.Loaf, s.Begun, s.Begun.Add(mid)) < hours {
			low = mid
		} else {
			high = mid
		}
	}
	return s.Begun.Add(high)
}

// followed is the temperature of a piece of dough without a probe after a while
// in the room.
func followed(startC, roomC, massKg float64, d time.Duration) float64 {
	return roomC + (startC-roomC)*math.Exp(-d.Hours()/FollowHours(massKg))
}
