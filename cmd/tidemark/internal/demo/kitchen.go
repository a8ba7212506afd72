package demo

import (
	"time"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/sensor/sensortest/virtual"
)

// The vessels of the story that are told apart.
const (
	doughTub  = "tub"
	sampleCup = "cup"
)

// Config describes the invented kitchen as a configuration file would.
func Config(stateDir, listen string, scenario virtual.Scenario) (*config.Config, error) {
	c := &config.Config{
		File: "the demo's own configuration", StateDir: stateDir, SampleEvery: sampleEvery,
		Household: config.Household{Zone: scenario.Start.Location(), Language: "en"},
		Web:       config.Web{Listen: listen},
	}
	for _, v := range scenario.Vessels {
		p, err := config.ProfileOf(v.Profile)
		if err != nil {
			return nil, err
		}
		w := config.Vessel{
			Name: v.Name, Holds: estimator.Holds(v.Holds), FloorMM: v.FloorMM, Profile: p,
			TargetPercent: 100, Lead: 30 * time.Minute, LostAfter: 5 * time.Minute,
		}
		switch {
		case v.Name == sampleCup:
			w.SampleOf, w.TargetPercent = doughTub, 50
		case w.Holds == estimator.Dough:
			b := bake.DefaultBatch()
			w.Batch = &b
		default:
			w.Feed = &bake.Feed{StarterG: 60, FlourG: 60, WaterG: 60}
		}
		c.Vessels = append(c.Vessels, w)
	}
	return c, nil
}
