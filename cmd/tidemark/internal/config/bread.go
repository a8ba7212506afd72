package config

import (
	"fmt"

	"github.com/goccy/go-yaml/ast"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/sensor"
)

// feedFile is the usual feeding of a starter.
type feedFile struct {
	StarterG float64 `yaml:"starter_g"`
	FlourG   float64 `yaml:"flour_g"`
	WaterG   float64 `yaml:"water_g"`
}

// bread reads what a vessel is to the bread: its batch or feeding, the probe in
// the loaf, and whether it stands for another vessel's final proof.
func (c *collector) bread(path string, raw *vesselFile, need Need, v *Vessel) {
	if raw.Batch != nil {
		v.Batch = decodeValid[bake.Batch](c, path+".batch", raw.Batch)
	}
	v.Feed = c.feed(path+".feed", raw.Feed)
	v.ProofOf, v.SampleOf = raw.ProofOf, raw.SampleOf
	if need == Sensors {
		v.Loaf = c.source(path+".loaf", raw.Loaf, sensor.Temperature)
	}
	if v.Feed != nil && v.Holds != estimator.Starter {
		c.add(path+".feed", "feed_of_dough")
	}
	if v.Loaf != nil && v.Holds != estimator.Dough {
		c.add(path+".loaf", "loaf_of_starter")
	}
}

// feed decodes and checks the usual feeding; nil when it is not given.
func (c *collector) feed(path string, n ast.Node) *bake.Feed {
	if n == nil {
		return nil
	}
	var raw feedFile
	if !c.decode(path, n, &raw) {
		return nil
	}
	f := &bake.Feed{StarterG: raw.StarterG, FlourG: raw.FlourG, WaterG: raw.WaterG}
	if err := f.Validate(); err != nil {
		c.fieldError(path, err)
		return nil
	}
	return f
}

// relations checks which vessel stands for whose final proof: a basket under a
// sensor (proof_of) or a small jar of the same dough (sample_of). Each tub has at
// most one of each.
func (c *collector) relations(vessels []Vessel) {
	named := map[string]int{}
	for i, v := range vessels {
		for _, r := range []struct{ key, of string }{{"proof_of", v.ProofOf}, {"sample_of", v.SampleOf}} {
			if r.of == "" {
				continue
			}
			path := fmt.Sprintf("vessels[%d].%s", i, r.key)
			if why := unfit(vessels, v, r.of); why != "" {
				c.add(path, why, "found", r.of)
				continue
			}
			if first, twice := named[r.key+r.of]; twice {
				c.add(path, "stands_twice", "found", r.of, "index", first)
			}
			named[r.key+r.of] = i
		}
	}
}

// unfit is the key that says why a vessel cannot stand for the proof of another; empty
// when it can.
func unfit(vessels []Vessel, v Vessel, of string) string {
	switch {
	case v.ProofOf != "" && v.SampleOf != "":
		return "stands_both"
	case of == v.Name:
		return "stands_itself"
	case v.Holds != estimator.Dough:
		return "stands_starter"
	case v.Batch != nil:
		return "stands_batch"
	}
	for _, o := range vessels {
		if o.Name != of {
			continue
		}
		switch {
		case o.Holds != estimator.Dough:
			return "stands_for_starter"
		case o.ProofOf != "" || o.SampleOf != "":
			return "stands_chain"
		}
		return ""
	}
	return "stands_nobody"
}
