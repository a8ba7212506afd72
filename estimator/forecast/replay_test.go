package forecast

import (
	"testing"
	"time"
)

// BenchmarkReplay48h is two days at 1 Hz with a refit a minute: what a replay of
// a long record costs here.
func BenchmarkReplay48h(b *testing.B) {
	up := gompertzRise(160, 12, 4)
	level := make([]float64, 48*60)
	for m := range level {
		level[m] = up(float64(m) / 60)
	}
	b.ReportAllocs()
	for b.Loop() {
		f := New(DefaultPrior("dough"))
		for s := range 48 * 3600 {
			at := time.Duration(s) * time.Second
			f.Temper(at, 20, 20)
			f.Add(Point{At: at, VolumeL: 1 + (level[s/60]+float64(s%7-3)/6)/100, SDL: 0.005, DoughC: 20})
			if s%60 == 59 {
				f.Refit(at)
				f.Crossing(100)
			}
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/rise")
}

// BenchmarkFan is one fan of 28 columns, and a crossing and a carry-over.
func BenchmarkAsk(b *testing.B) {
	f := New(DefaultPrior("dough"))
	play(f, 0, 3, constant(24), gompertzRise(150, 35, 1))
	var dst []FanColumn
	b.ReportAllocs()
	for b.Loop() {
		dst = f.Fan(dst[:0], 10*time.Minute, 28)
		f.Crossing(100)
		f.CarryOver()
	}
}
