package forecast

import "math"

const (
	sampleCount = 320
	drawDims    = 11 // five parameters, four states now, the wander to come, the start
	drawRows    = sampleCount
)

// draws are standard normal points that fill the space evenly, the same in every
// run: an additive recurrence with the powers of the root of x^12 = x + 1 (Roberts'
// generalisation of the golden ratio, from memory).
type draws struct{ z [][drawDims]float64 }

func newDraws() draws {
	root := 1.5
	for range 60 {
		root = math.Pow(1+root, 1.0/(drawDims+1))
	}
	d := draws{make([][drawDims]float64, drawRows)}
	for j := range drawDims {
		step := math.Pow(1/root, float64(j+1))
		for i := range d.z {
			_, u := math.Modf(0.5 + step*float64(i+1))
			d.z[i][j] = math.Sqrt2 * math.Erfinv(2*u-1)
		}
	}
	return d
}

const (
	scenarioCount = 9
	gridCount     = 132
	gridHours     = 24 * 365 // beyond the end of the grid: all of it
)

// ahead holds the equivalent time to come under a few courses of temperature.
type ahead struct {
	grid         []float64 // hours from now
	temp         []float64
	ganzle, ctmi [scenarioCount][]float64 // equivalent hours since the start
	z            [scenarioCount]float64
}

func newAhead() ahead {
	a := ahead{grid: make([]float64, 0, gridCount), temp: make([]float64, gridCount)}
	for h := 0.0; len(a.grid) < gridCount; {
		a.grid = append(a.grid, h)
		switch {
		case h < 3:
			h += 1.0 / 12
		case h < 12:
			h += 0.25
		default:
			h++
		}
	}
	for s := range scenarioCount {
		a.z[s] = math.Sqrt2 * math.Erfinv(2*(float64(s)+0.5)/scenarioCount-1)
		a.ganzle[s] = make([]float64, gridCount)
		a.ctmi[s] = make([]float64, gridCount)
	}
	return a
}

// fill follows the clock so many hours into the future; in the cold when the
// vessel is moved there now.
func (a *ahead) fill(c *clock, toFridge bool, hours float64) {
	grid := a.grid[:min(a.index(hours)+2, len(a.grid))]
	for s := range scenarioCount {
		if toFridge {
			c.futureCold(c.doughC, grid, a.z[s], a.temp)
		} else {
			c.future(grid, a.z[s], a.temp)
		}
		g0, s0 := c.table.At(a.temp[0])
		a.ganzle[s][0], a.ctmi[s][0] = c.ganzle, c.ctmi
		for i := 1; i < len(grid); i++ {
			g1, s1 := c.table.At(a.temp[i])
			dt := grid[i] - grid[i-1]
			a.ganzle[s][i] = a.ganzle[s][i-1] + dt*(g0+g1)/2
			a.ctmi[s][i] = a.ctmi[s][i-1] + dt*(s0+s1)/2
			g0, s0 = g1, s1
		}
	}
}

// at returns both equivalent times some hours ahead.
func (a *ahead) at(scenario int, hours float64) (ganzle, ctmi float64) {
	i := min(max(a.index(hours), 0), len(a.grid)-2)
	f := (hours - a.grid[i]) / (a.grid[i+1] - a.grid[i])
	g, s := a.ganzle[scenario], a.ctmi[scenario]
	return g[i] + f*(g[i+1]-g[i]), s[i] + f*(s[i+1]-s[i])
}

func (a *ahead) index(hours float64) int {
	switch {
	case hours < 3:
		return int(hours * 12)
	case hours < 12:
		return 36 + int((hours-3)*4)
	}
	return 72 + int(hours-12)
}

// hours returns when an equivalent time is reached with this mix of responses;
// beyond the grid the last speed holds.
func (a *ahead) hours(scenario int, mix, theta float64) float64 {
	g, s := a.ganzle[scenario], a.ctmi[scenario]
	lo, hi := 0, len(a.grid)-1
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if g[mid]+mix*(s[mid]-g[mid]) > theta {
			hi = mid
		} else {
			lo = mid
		}
	}
	t0, t1 := g[lo]+mix*(s[lo]-g[lo]), g[hi]+mix*(s[hi]-g[hi])
	return a.grid[lo] + (theta-t0)/(t1-t0)*(a.grid[hi]-a.grid[lo])
}
