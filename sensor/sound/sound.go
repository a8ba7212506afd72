// Package sound turns the travel times of ultrasonic echoes into a distance: the
// speed of sound in the air of a kitchen, in the damp air over dough, and in the
// carbon dioxide that gathers in a fermenting jar; and the median of a burst of
// pings, whose standard deviation is that of the burst. Errors that stay the same
// for long (air temperature taken wrongly, carbon dioxide) are not in it.
//
// Units: Celsius, relative humidity as a ratio 0..1, pressure in Pa, carbon
// dioxide as a share of the volume 0..1, speed in m/s, distance in mm.
//
// Sources: O. Cramer, J. Acoust. Soc. Am. 93 (1993) 2510-2516, equation 15 and
// Table III, as also in IEC 61094-2:2009 Annex F; saturation vapour pressure and
// enhancement factor after R. S. Davis, Metrologia 29 (1992) 67-70. For more
// carbon dioxide than Cramer's one percent: ideal gas mixture.
//
// What it does not do: it does not know how much carbon dioxide is in a jar.
// Left uncorrected, 10 % of it make a distance read 3.1 % long, so that the rise
// is under-reported, the more the livelier the fermentation.
package sound

import "math"

// Ordinary conditions where nothing is measured.
const (
	standardPa = 101325.0 // pressure at sea level
	openAirCO2 = 0.0004   // share of carbon dioxide in fresh air
)

// Air is what lies between the sensor and the surface.
type Air struct {
	Celsius  float64
	Humidity float64 // ratio 0..1
	Pa       float64 // 0 = StandardPa
	CO2      float64 // share of the volume; less than OpenAirCO2 counts as fresh air
}

// SpeedMPS is the speed of sound in m/s. Cramer states 0 to 30 C and 75 to
// 102 kPa for his equation; outside it is an extrapolation.
func (a Air) SpeedMPS() float64 {
	if a.Pa == 0 {
		a.Pa = standardPa
	}
	co2 := max(a.CO2, openAirCO2)
	if co2 <= 0.01 {
		return cramer(a.Celsius, a.Pa, vapour(a.Celsius, a.Humidity, a.Pa), co2)
	}
	fresh := cramer(a.Celsius, a.Pa, vapour(a.Celsius, a.Humidity, a.Pa), openAirCO2)
	return fresh * mixture(a.Celsius, co2) / mixture(a.Celsius, openAirCO2)
}

// LongRatio is by what share a distance is read too long when this air is taken
// for fresh air of the same temperature and humidity: 0.031 for 10 % of carbon
// dioxide.
func (a Air) LongRatio() float64 {
	fresh := a
	fresh.CO2 = openAirCO2
	return fresh.SpeedMPS()/a.SpeedMPS() - 1
}

// vapour is the mole fraction of water vapour.
func vapour(celsius, humidity, pa float64) float64 {
	t := celsius + 273.15
	saturated := math.Exp(1.2378847e-5*t*t - 1.9121316e-2*t + 33.93711047 - 6.3431645e3/t)
	enhanced := 1.00062 + 3.14e-8*pa + 5.6e-7*celsius*celsius
	return humidity * enhanced * saturated / pa
}

// cramer is equation 15: t in Celsius, p in Pa, mole fractions of water vapour
// (w) and carbon dioxide (c).
func cramer(t, p, w, c float64) float64 {
	return 331.5024 + 0.603055*t - 0.000528*t*t +
		(51.471935+0.1495874*t-0.000782*t*t)*w +
		(-1.82e-7+3.73e-8*t-2.93e-10*t*t)*p +
		(-85.20931-0.228525*t+5.91e-5*t*t)*c -
		2.835149*w*w - 2.15e-13*p*p + 29.179762*c*c + 0.000486*w*p*c
}

// mixture is the speed in a dry ideal mixture of air (28.9652 g/mol, heat
// capacity 3.5 R) and carbon dioxide (44.0095 g/mol, heat capacity 36.89
// J/(mol K) at 20 C and 37.13 at 25 C: from memory of the NIST tables).
func mixture(celsius, co2 float64) float64 {
	const r = 8.314462618
	cpCO2 := 36.89 + (celsius-20)*(37.13-36.89)/5
	molar := (1-co2)*28.9652e-3 + co2*44.0095e-3
	cp := (1-co2)*3.5*r + co2*cpCO2
	return math.Sqrt(cp / (cp - r) * r * (celsius + 273.15) / molar)
}
