package kinetics

import "math"

// ReferenceC is the temperature at which equivalent time runs as clock time.
const ReferenceC = 24.0

// Ganzle returns the specific growth rate per hour of the sourdough yeast
// C. milleri (now C. humilis) at a temperature, zero at and above 36 C.
// Source: Gänzle, Ehmann, Hammes (1998), Appl. Environ. Microbiol. 64:2616-2623.
// Outside about 8 to 35 C it is an extrapolation.
func Ganzle(c float64) float64 {
	if c >= 36 {
		return 0
	}
	return 0.0124 * math.Pow(36-c, 2.981) * math.Exp(-0.3355*(36-c))
}

// CTMI is a cardinal temperature model with inflection. The optimum has to lie above the
// middle of the other two temperatures, or the formula has a pole inside its range.
type CTMI struct{ minC, optC, maxC float64 }

// Cerevisiae is the model with the values for S. cerevisiae (4, 32.3, 45.4 C).
func Cerevisiae() CTMI { return CTMI{4, 32.3, 45.4} }

// Rate returns the rate relative to the rate at the optimum, 0 to 1.
func (m CTMI) Rate(c float64) float64 {
	if c <= m.minC || c >= m.maxC {
		return 0
	}
	span := m.optC - m.minC
	num := (c - m.maxC) * (c - m.minC) * (c - m.minC)
	den := span * (span*(c-m.optC) - (m.optC-m.maxC)*(m.optC+m.minC-2*c))
	return num / den
}

// The table of [Responses] covers this range; outside, the end value holds.
const (
	tableLowC  = -5.0
	tableHighC = 50.0
	tableStepC = 0.125
	tableSize  = int((tableHighC-tableLowC)/tableStepC) + 2
)

// Floor is the least speed, relative to 24 C, either response may have. Dough
// in a refrigerator does still move a little, and time must never stand still.
const Floor = 0.01

// Responses is a table of both responses relative to 24 C, made once and read
// many times: the exponentials are too dear for every reading. Read only after
// it is made.
type Responses struct {
	ganzle, ctmi [tableSize]float64
}

// NewResponses fills the table.
func NewResponses() *Responses {
	r := new(Responses)
	yeast := Cerevisiae()
	for i := range r.ganzle {
		c := tableLowC + float64(i)*tableStepC
		r.ganzle[i] = max(Floor, Ganzle(c)/Ganzle(ReferenceC))
		r.ctmi[i] = max(Floor, yeast.Rate(c)/yeast.Rate(ReferenceC))
	}
	return r
}

// At returns the speed relative to 24 C under both responses, linear between
// the entries 0.125 C apart. A temperature that is not a number gives 1, 1.
func (r *Responses) At(c float64) (ganzle, ctmi float64) {
	if math.IsNaN(c) {
		return 1, 1
	}
	x := (min(max(c, tableLowC), tableHighC) - tableLowC) / tableStepC
	i := int(x)
	f := x - float64(i)
	return r.ganzle[i] + f*(r.ganzle[i+1]-r.ganzle[i]), r.ctmi[i] + f*(r.ctmi[i+1]-r.ctmi[i])
}
