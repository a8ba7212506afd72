package bake

import (
	"math"
	"strconv"
	"strings"
	"time"

	"tidemark/estimator"
)

// Feed is one feeding: grams of ripe starter kept, flour and water.
type Feed struct {
	At       time.Time `yaml:"-" json:"at"`
	StarterG float64   `yaml:"starter_g" json:"starter_g"`
	FlourG   float64   `yaml:"flour_g" json:"flour_g"`
	WaterG   float64   `yaml:"water_g" json:"water_g"`
	RoomC    float64   `yaml:"-" json:"room_c"` // where it stands, Celsius; 0 means not known
}

// PastFeed is a feeding with what came of it.
type PastFeed struct {
	Feed
	MeanC       float64 // mean temperature until the peak, Celsius; NaN when not known
	PeakHours   float64 // from feeding to peak; NaN when no peak was seen
	PeakPercent float64 // rise at the peak; NaN when not known
	LateHours   float64 // how long after its peak it was fed again; NaN when not known
	ColdDays    float64 // days in the refrigerator before this feed
}

// Validate refuses a feeding that is none.
func (f Feed) Validate() error {
	for _, c := range []struct {
		field string
		v     float64
	}{{"starter_g", f.StarterG}, {"flour_g", f.FlourG}, {"water_g", f.WaterG}} {
		if err := grams(c.field, c.v, c.field != "water_g"); err != nil {
			return err
		}
	}
	if d := f.Doublings(); d > 8 {
		return wrong("starter_g", "diluted", Values{"found": math.Exp2(d)})
	}
	if f.RoomC != 0 && !(f.RoomC > 0 && f.RoomC < 45) {
		return wrong("room_c", "room", Values{"found": bare(f.RoomC)})
	}
	return nil
}

// Ratio is the feeding as starter : flour : water, e.g. "1 : 2 : 2".
func (f Feed) Ratio() string {
	part := func(g float64) string { return strconv.FormatFloat(math.Round(10*g/f.StarterG)/10, 'f', -1, 64) }
	return "1 : " + part(f.FlourG) + " : " + part(f.WaterG)
}

// parseFeed reads a feeding as people write it: "1:2:2", "1 : 2,5 : 2",
// "20/40/40" or "20 g, 40 g, 40 g" of starter, flour and water. Parts count as
// grams: only their ratio matters to the times. ok is false for any other text.
func parseFeed(text string) (f Feed, ok bool) {
	parts := strings.FieldsFunc(strings.ReplaceAll(strings.ToLower(text), "g", " "), func(r rune) bool { return strings.ContainsRune(":/;+- \t", r) })
	var grams []float64
	for _, p := range parts {
		if p == "," {
			continue
		}
		v, err := strconv.ParseFloat(strings.Replace(strings.Trim(p, ","), ",", ".", 1), 64)
		if err != nil {
			return Feed{}, false
		}
		grams = append(grams, v)
	}
	if len(grams) != 3 {
		return Feed{}, false
	}
	f = Feed{StarterG: grams[0], FlourG: grams[1], WaterG: grams[2]}
	return f, f.Validate() == nil
}

// Doublings is how often the culture has to double to fill the new food:
// log2 of the dilution, 1.58 for 1 : 1 : 1, 3.46 for 1 : 5 : 5.
func (f Feed) Doublings() float64 {
	return math.Log2((f.StarterG + f.FlourG + f.WaterG) / f.StarterG)
}

// NewFeed makes a feeding of 1 : parts : parts that yields so many grams.
func NewFeed(at time.Time, parts, totalG, roomC float64) Feed {
	s := totalG / (1 + 2*parts)
	return Feed{At: at, StarterG: s, FlourG: parts * s, WaterG: parts * s, RoomC: roomC}
}

// FeedsToPeak returns feedings of totalG grams that peak at a wanted moment where it is
// roomC, each with the time at which it is due: the usual ratios first. slow is how many
// times longer than usual the starter takes; 1 unless it comes out of the cold.
func (v Vigour) FeedsToPeak(peak time.Time, totalG, roomC, slow float64) []Feed {
	var out []Feed
	for _, parts := range []float64{2, 3, 1, 4, 5, 1.5, 2.5, 7, 10} {
		f := NewFeed(time.Time{}, parts, totalG, roomC)
		_, mid, _ := v.PeakHours(f, roomC)
		f.At = peak.Add(-HoursOf(mid * slow)).Truncate(5 * time.Minute)
		out = append(out, f)
	}
	return out
}

// peakHoursPerDoubling is the time to the peak per doubling at 24 C, and its
// spread between kitchens (ln). Fitted to the middles of the published ranges
// at 20 C (1:1:1 4 to 6 h ... 1:10:10 12 to 16 h; Summit Sourdough, May 2025)
// through the doublings each ratio needs. Sources disagree by half as much
// again: hence the spread.
const (
	peakHoursPerDoubling = 2.15
	peakSpread           = 0.25
	peakNoise            = 0.10 // from feed to feed in one kitchen, from memory
)

// Vigour is the household's starter against the published one: the natural
// logarithm of hours per doubling over the published hours, with its standard
// deviation for the next feed.
type Vigour struct {
	Log, SD float64
	Feeds   int // how many past feeds speak
}

// LearnVigour shrinks the past feeds to the published response: few feeds move
// it a little, many nearly all the way.
func LearnVigour(past []PastFeed) Vigour {
	var n, sum float64
	for _, p := range past {
		if d := p.Doublings(); d > 0.5 && p.PeakHours > 0 && !math.IsNaN(p.MeanC) {
			sum += math.Log(p.PeakHours * Speed(p.MeanC) / d / peakHoursPerDoubling)
			n++
		}
	}
	post := 1 / (1/(peakSpread*peakSpread) + n/(peakNoise*peakNoise))
	return Vigour{Log: post * sum / (peakNoise * peakNoise), SD: math.Sqrt(post + peakNoise*peakNoise), Feeds: int(n)}
}

// PeakHours is the time from a feed to its peak at a temperature: the central
// 8 in 10 and the middle.
func (v Vigour) PeakHours(f Feed, c float64) (low, mid, high float64) {
	mid = peakHoursPerDoubling * f.Doublings() * math.Exp(v.Log) / Speed(c)
	k := math.Exp(z80 * v.SD)
	return mid / k, mid, mid * k
}

// Shares of the time to peak that bound the best use and begin the hunger.
// Common practice, no source: a starter is used from shortly before its peak
// until it has begun to fall.
const (
	useFromShare  = 0.85
	useUntilShare = 1.25
	hungryShare   = 1.8
	coldFeedDays  = 7 // a starter kept cold is fed weekly
)

// Care is what to expect of a fed starter.
type Care struct {
	Feed     Feed
	Peak     estimator.Window
	UseFrom  time.Time // best used between these
	UseUntil time.Time
	Hungry   estimator.Window // nothing left to eat
	NextFeed time.Time        // before it is hungry but never before the late end of its peak, and weekly in the cold
	Basis    Sentences        // what the times rest on
}

// tend says when a fed starter peaks, is best used and gets hungry, by the peak that the
// sensor saw where there is one. coldFrom is when it went into the refrigerator at
// fridgeC, zero when it did not.
func tend(f Feed, past []PastFeed, roomC float64, coldFrom time.Time, fridgeC float64, e estimator.Estimate) (Care, error) {
	if err := f.Validate(); err != nil {
		return Care{}, err
	}
	warmH, slow := math.Inf(1), 1.0 // hours it stood warm, and its speed in the cold beside that
	if !coldFrom.IsZero() {
		warmH, slow = math.Max(0, coldFrom.Sub(f.At).Hours()), Speed(fridgeC)/Speed(roomC)
	}
	when := func(h float64) time.Time { // it has done what takes h hours warm
		h = math.Min(h, warmH) + math.Max(0, h-warmH)/slow
		return f.At.Add(HoursOf(math.Min(h, 24*365)))
	}
	v := LearnVigour(past)
	low, mid, high := v.PeakHours(f, roomC)
	hungryLow, hungryHigh, basis := hungryShare*low, hungryShare*high, say("why.care.published")
	switch {
	case v.Feeds == 1:
		basis = say("why.care.one")
	case v.Feeds > 1:
		basis = Sentences{{"why.care.many", Values{"feeds": v.Feeds}}}
	}
	fell := e.Phase == estimator.Falling || e.Phase == estimator.Hungry // until then the peak may go on
	seen := (fell || e.Phase == estimator.Peak) && !e.PeakAt.Before(f.At)
	if seen {
		h := e.PeakAt.Sub(f.At).Hours()
		mid = math.Min(h, warmH) + math.Max(0, h-warmH)*slow
		half := (hungryShare - 1) / 3 * mid
		hungryLow, hungryHigh, basis = hungryShare*mid-half, hungryShare*mid+half, say("why.care.seen")
	}
	c := Care{Feed: f, Basis: basis, Peak: estimator.Window{From: when(low), Median: when(mid), Until: when(high)}, UseFrom: when(useFromShare * mid), UseUntil: when(useUntilShare * mid),
		Hungry: estimator.Window{From: when(hungryLow), Median: when(hungryShare * mid), Until: when(hungryHigh)}}
	if seen {
		c.Peak = point(e.PeakAt)
		if !fell {
			c.Peak.Until = Later(e.PeakAt, e.Time)
		}
	}
	if seen && e.Phase == estimator.Hungry {
		c.Hungry = point(e.PhaseSince)
	}
	c.NextFeed = Later(c.Hungry.From, c.Peak.Until)
	if weekly := coldFrom.AddDate(0, 0, coldFeedDays); !coldFrom.IsZero() && c.NextFeed.After(weekly) {
		c.NextFeed = weekly
		c.Basis = append(c.Basis, Said{Key: "why.care.cold"})
	}
	if seen && fell {
		c.NextFeed = Later(c.NextFeed, e.PhaseSince)
	}
	return c, nil
}

// stay follows how warm a starter stands since it was fed, out of the cold. The zero stay
// knows nothing.
type stay struct {
	Since   time.Time // of the last temperature
	sumC, h float64   // degree hours and hours
	lastC   float64
}

// follow takes in a temperature in Celsius; NaN tells nothing.
func (s *stay) follow(at time.Time, c float64, cold bool) {
	if math.IsNaN(c) {
		return
	}
	if d := at.Sub(s.Since).Hours(); !cold && d > 0 && d < 1 {
		s.sumC, s.h = s.sumC+c*d, s.h+d
	}
	s.Since, s.lastC = at, c
}

// meanC returns the mean temperature in Celsius while it stood warm, 0 when nothing
// was measured.
func (s *stay) meanC() float64 {
	if s.h > 0 {
		return s.sumC / s.h
	}
	return s.lastC
}
