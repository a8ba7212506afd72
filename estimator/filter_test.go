package estimator

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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

func sq(x float64) float64 { return x * x }
