package estimator

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// nile is the annual flow of the Nile at Aswan 1871 to 1970, 10^8 m^3 (data set
// Nile of the R package datasets; sum 91935).
func nile() []float64 {
	return []float64{
		1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140,
		995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
		1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840,
		874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
		831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821,
		768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
		781, 865, 845, 944, 984, 897, 822, 1010, 771, 676,
		649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
		744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
		1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
	}
}

// The local level model on the Nile series, variances 15099 and 1469.1: Durbin
// and Koopman, Time Series Analysis by State Space Methods, ch. 2 (from memory);
// the likelihood is also quoted for the R package KFAS, states and likelihood
// agree with statsmodels' exact-diffuse model to every digit here.
func TestNile(t *testing.T) {
	y := nile()
	var sum float64
	for _, v := range y {
		sum += v
	}
	require.Equal(t, 91935.0, sum, "the series itself")
	const noise, walk = 15099, 1469.1
	want := map[int][2]float64{
		1871: {1120.000000, 15099.000000},
		1872: {1140.927840, 7899.736379},
		1873: {1072.798530, 5781.469939},
		1874: {1117.308955, 4898.365195},
		1875: {1129.972136, 4478.723260},
		1898: {1133.126291, 4032.158207},
		1899: {1037.222326, 4032.158084},
		1900: {984.554494, 4032.158018},
		1968: {858.125766, 4032.157942},
		1969: {819.637266, 4032.157942},
		1970: {798.370293, 4032.157942},
	}
	f := newTrend(walk, 0, 0)
	for i, v := range y {
		if i > 0 {
			f.predict(1)
		}
		f.update(v, noise)
		if w, ok := want[1871+i]; ok {
			assert.InDelta(t, w[0], f.level, 1e-6, "state %d", 1871+i)
			assert.InDelta(t, w[1], f.p11, 1e-6, "variance %d", 1871+i)
		}
	}
	// 99 terms, without one for the diffuse first point.
	assert.InDelta(t, -632.5456251157, f.logLik, 1e-9)
	f.predict(1)
	assert.InDelta(t, 5501.257942, f.p11, 1e-6, "steady predicted variance")
	assert.InDelta(t, 0.26704801, f.p11/(f.p11+noise), 1e-8, "steady gain")
}

// matrixTrend is the local linear trend written out in matrices with a big
// initial variance for the level: an independent implementation.
type matrixTrend struct {
	x, p *mat.Dense
}

func (m *matrixTrend) predict(dt, levelQ, rateQ float64) {
	a := mat.NewDense(2, 2, []float64{1, dt, 0, 1})
	q := mat.NewDense(2, 2, []float64{levelQ*dt + rateQ*dt*dt*dt/3, rateQ * dt * dt / 2, rateQ * dt * dt / 2, rateQ * dt})
	var x, ap, p mat.Dense
	x.Mul(a, m.x)
	ap.Mul(a, m.p)
	p.Mul(&ap, a.T())
	p.Add(&p, q)
	m.x, m.p = &x, &p
}

func (m *matrixTrend) update(reading, variance float64) {
	h := mat.NewDense(1, 2, []float64{1, 0})
	var hp, s, k, hx, kh, ikh, p, kv mat.Dense
	hp.Mul(h, m.p)
	s.Mul(&hp, h.T())
	k.Mul(m.p, h.T())
	k.Scale(1/(s.At(0, 0)+variance), &k)
	hx.Mul(h, m.x)
	kv.Scale(reading-hx.At(0, 0), &k)
	m.x.Add(m.x, &kv)
	kh.Mul(&k, h)
	ikh.Sub(mat.NewDense(2, 2, []float64{1, 0, 0, 1}), &kh)
	// Joseph's form, unlike the filter's.
	var a, b, kk mat.Dense
	a.Mul(&ikh, m.p)
	b.Mul(&a, ikh.T())
	kk.Mul(&k, k.T())
	kk.Scale(variance, &kk)
	p.Add(&b, &kk)
	m.p = &p
}

func TestTrendAgainstMatrices(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		levelQ := rapid.Float64Range(0, 10).Draw(t, "levelQ")
		rateQ := rapid.Float64Range(0, 500).Draw(t, "rateQ")
		rateSD := rapid.Float64Range(0.1, 50).Draw(t, "rateSD")
		f := newTrend(levelQ, rateQ, rateSD)
		m := matrixTrend{mat.NewDense(2, 1, nil), mat.NewDense(2, 2, []float64{1e9, 0, 0, rateSD * rateSD})}
		for i := range rapid.IntRange(2, 40).Draw(t, "n") {
			if i > 0 {
				dt := rapid.Float64Range(0, 0.5).Draw(t, "dt")
				f.predict(dt)
				m.predict(dt, levelQ, rateQ)
			}
			y := rapid.Float64Range(-200, 400).Draw(t, "y")
			r := rapid.Float64Range(0.01, 9).Draw(t, "variance")
			f.update(y, r)
			m.update(y, r)
			near(t, m.x.At(0, 0), f.level, 1e-4)
			near(t, m.x.At(1, 0), f.rate, 1e-3)
			near(t, m.p.At(0, 0), f.p11, 1e-4)
			near(t, m.p.At(0, 1), f.p12, 1e-3)
			near(t, m.p.At(1, 1), f.p22, 1e-3)
		}
	})
}

// near compares with a tolerance relative to the size; the big initial variance
// of the matrices costs them digits.
func near(t *rapid.T, want, got, tol float64) {
	if math.Abs(want-got) > tol*(1+math.Abs(want)) {
		t.Fatalf("want %g, got %g", want, got)
	}
}

// The filter's own standard deviation must be honest on data from its model.
func TestTrendCalibrated(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	var z, zr, n float64
	for range 60 {
		f := newTrend(0, 30, 5)
		level, rate := 60.0, 5*rng.NormFloat64()
		for i := range 200 {
			dt := 0.004 + 0.02*rng.Float64()
			if i > 0 {
				e := math.Sqrt(30*dt) * rng.NormFloat64()
				e2 := math.Sqrt(30*dt*dt*dt/12) * rng.NormFloat64()
				level += rate*dt + e*dt/2 + e2
				rate += e
				f.predict(dt)
			}
			f.update(level+1.2*rng.NormFloat64(), 1.44)
			if i > 3 {
				z += sq(f.level-level) / f.p11
				zr += sq(f.rate-rate) / f.p22
				n++
			}
		}
	}
	assert.InDelta(t, 1, math.Sqrt(z/n), 0.1)
	assert.InDelta(t, 1, math.Sqrt(zr/n), 0.15)
}

// Splitting a step of prediction in two must not matter.
func TestPredictSplits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := trend{level: 50, rate: 3, p11: 1, p12: 0.3, p22: 2, levelQ: 0.5, rateQ: 20}
		b := a
		dt := rapid.Float64Range(0, 3).Draw(t, "dt")
		cut := rapid.Float64Range(0, 1).Draw(t, "cut")
		a.predict(dt)
		b.predict(dt * cut)
		b.predict(dt * (1 - cut))
		near(t, a.level, b.level, 1e-9)
		near(t, a.p11, b.p11, 1e-9)
		near(t, a.p12, b.p12, 1e-9)
		near(t, a.p22, b.p22, 1e-9)
	})
}

func TestTurnTo(t *testing.T) {
	f := trend{level: 100, rate: 30, p11: 1, p12: 2, p22: 4}
	f.turnTo(-10)
	assert.Equal(t, trend{level: 100, rate: -10, p11: 1, p22: 900}, f)
	f.turnTo(0)
	assert.Equal(t, trend{level: 100, p11: 1, p22: 900}, f, "a doubt once there stays")
}

func sq(x float64) float64 { return x * x }
