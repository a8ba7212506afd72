package main

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
)

// historyFile is the name of the history in its folder.
const historyFile = "tidemark.db"

// floorMM and startMM are the invented vessel: the sensor over the empty floor, and
// the dough at the start.
const (
	floorMM = 240.0
	startMM = 60.0
)

// name is the name of the n-th vessel.
func name(n int) string { return fmt.Sprintf("vessel-%05d", n) }

// risen is how long the n-th vessel has risen at a moment: between one hour and two
// and a half, so that their refits do not fall together.
func risen(n int, begin, at time.Time) time.Duration {
	return time.Hour + time.Duration(n*37%90)*time.Minute + at.Sub(begin)
}

// distanceMM is the invented distance of the n-th vessel at a moment.
func distanceMM(n int, begin, at time.Time) float64 {
	h := risen(n, begin, at).Hours()
	speed := 1 + 0.2*math.Sin(float64(n))
	percent := 150/(1+math.Exp((3.4-h)*1.2*speed)) - 150/(1+math.Exp(3.4*1.2*speed))
	wobble := math.Sin(float64(at.Unix()%1000)*1.7+float64(n)) + math.Sin(float64(at.Unix()%777)*0.9)
	return floorMM - startMM*(1+percent/100) + 0.4*wobble
}

// doughC is the invented dough temperature.
func doughC(n int, at time.Time) float64 {
	return 24.5 + 0.3*math.Sin(float64(n)+float64(at.Unix()%86400)/3000)
}

// settings are a configuration of so many vessels; broker is empty for vessels
// without sensors.
func settings(n int, dir, broker string) (*config.Config, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "household: {time_zone: UTC}\nstate_dir: %s\nsample_every: 1s\nweb: {listen: \"127.0.0.1:0\"}\nvessels:\n", dir)
	for i := range n {
		fmt.Fprintf(&b, "  - name: %s\n    holds: dough\n    floor_mm: %g\n    profile: {shape: straight, diameter_mm: 180, height_mm: 200}\n", name(i), floorMM)
		if broker != "" {
			fmt.Fprintf(&b, "    height: {kind: mqtt, broker: %q, topic: %q, field: mm, unit: mm}\n", broker, name(i)+"/height")
			fmt.Fprintf(&b, "    dough: {kind: mqtt, broker: %q, topic: %q, field: c, unit: C}\n", broker, name(i)+"/dough")
		}
	}
	need := config.WithoutSensors
	if broker != "" {
		need = config.Sensors
	}
	return config.Parse("scale.yaml", []byte(b.String()), need)
}

// storeRises fills a history with a rise under way for every vessel, a row a
// minute, as if the service had watched until begin.
func storeRises(ctx context.Context, dir string, n int, begin time.Time) error {
	s, err := history.Open(ctx, filepath.Join(dir, historyFile), history.Options{FlushEvery: 24 * time.Hour, KeepRows: 1 << 20})
	if err != nil {
		return err
	}
	for i := range n {
		age := risen(i, begin, begin)
		start := begin.Add(-age)
		area := math.Pi * 0.9 * 0.9 // dm²
		r := history.Rise{Vessel: name(i), Holds: estimator.Dough, StartedAt: start, TargetPercent: 100, Demo: true,
			BaselineL: area * startMM / 100, BaselineSDL: 0.01, Phase: estimator.Rising, PhaseSince: start.Add(30 * time.Minute)}
		if r.ID, err = s.BeginRise(ctx, r); err != nil {
			return err
		}
		for at := start; at.Before(begin); at = at.Add(time.Minute) {
			if err := s.AppendRow(r.ID, history.Row{Time: at, DistanceMM: distanceMM(i, begin, at), DoughC: doughC(i, at), AirC: math.NaN(),
				RisePercent: math.NaN(), RiseSD: math.NaN(), EquivHours: math.NaN()}); err != nil {
				return err
			}
		}
		if i%100 == 99 {
			if err := s.Flush(ctx); err != nil {
				return err
			}
		}
	}
	return s.Close(ctx)
}
