package forecast

import "math"

// The parameters of a curve of growth, in this order. Each is believed normal
// beforehand, most of them in their natural logarithm.
const (
	pRate     = iota // ln of the gas made at full work, start volumes per hour at 24 C
	pWake            // logit of the share of the work that is still to wake at the start
	pSpeed           // ln of the speed of waking, 1/h
	pLimit           // ln of the rise where the walls give way, start volumes
	pEdge            // ln of the width of that, as a share of the limit
	pSugar           // ln of the gas that the free sugar is worth, start volumes
	pStarch          // logit of the share of the work that starch feeds on its own
	pAcid            // ln of the gas at which the work has slowed to a half
	pSolve           // ln of the gas that dissolves first
	pLeak            // ln of the share of their limit that torn walls lose in an hour
	pResponse        // logit of the weight of S. cerevisiae in the response to temperature
	paramCount
)

// point is a place in the space of parameters.
type point [paramCount]float64

// curve is a point made ready for use.
type curve struct {
	rate, speed, limit, edge    float64
	sugar, starch, acid, solved float64
	leak, response              float64
	awake                       float64 // share of the full work at the start
}

// curveOf makes a curve of a point.
func curveOf(p *point) curve {
	c := curve{
		rate: math.Exp(p[pRate]), speed: math.Exp(p[pSpeed]), limit: math.Exp(p[pLimit]),
		sugar: math.Exp(p[pSugar]), starch: logistic(p[pStarch]), acid: math.Exp(p[pAcid]),
		solved: math.Exp(p[pSolve]), leak: math.Exp(p[pLeak]), response: logistic(p[pResponse]),
	}
	c.edge = 1 / (c.limit * math.Exp(p[pEdge]))
	c.awake = logistic(-p[pWake])
	return c
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// dough is how far one curve has come.
type dough struct {
	work float64 // share of the full work, 0..1
	gas  float64 // made so far, start volumes
	rise float64 // held so far, start volumes
	worn float64 // share of the limit that the walls have lost, 0..1
}

// start is the dough at the start of the rise.
func (c *curve) start() dough { return dough{work: c.awake} }

// advance lets the dough grow over a span given in equivalent hours under both
// responses.
func (c *curve) advance(d *dough, ganzle, ctmi float64) {
	c.advanceBy(d, ganzle, ctmi, longestStep)
}

// advanceBy is advance with steps of a length, equivalent hours.
func (c *curve) advanceBy(d *dough, ganzle, ctmi, longest float64) {
	span := min(ganzle+c.response*(ctmi-ganzle), longestSpan)
	for span > 0 {
		h := min(span, longest)
		span -= h
		c.step(d, h)
	}
}

// step is one step of Euler's method: waking is logistic; gas is made in
// proportion to the work, less as the sugar goes and the acid comes; what of it
// the walls hold falls off around the limit, past which they leak and wear.
func (c *curve) step(d *dough, h float64) {
	d.work += c.speed * d.work * (1 - d.work) * h
	x := d.gas / c.sugar
	made := c.rate * d.work * (c.starch + (1-c.starch)/(1+x*x*x)) / (1 + d.gas/c.acid) * h
	d.gas += made
	torn := logistic((d.rise - c.limit*(1-d.worn)) * c.edge)
	d.worn += c.leak * (1 - d.worn) * torn * h
	d.rise += made*(1-torn)*d.gas/(d.gas+c.solved) - leakOverWear*c.leak*d.rise*torn*h
}
