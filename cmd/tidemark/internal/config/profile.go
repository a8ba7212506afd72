package config

import (
	"github.com/goccy/go-yaml/ast"

	"tidemark/estimator/geometry"
)

// shapeFile is a vessel described by its shape; lengths are inside measures.
type shapeFile struct {
	Shape            string    `yaml:"shape"`
	DiameterMM       float64   `yaml:"diameter_mm"`
	BottomDiameterMM float64   `yaml:"bottom_diameter_mm"`
	TopDiameterMM    float64   `yaml:"top_diameter_mm"`
	BottomMM         []float64 `yaml:"bottom_mm"` // length, width
	TopMM            []float64 `yaml:"top_mm"`
	RimDiameterMM    float64   `yaml:"rim_diameter_mm"`
	HeightMM         float64   `yaml:"height_mm"`
	DepthMM          float64   `yaml:"depth_mm"`
}

// profile decodes the height-to-volume profile: a list of points or a shape.
func (c *collector) profile(path string, n ast.Node) *geometry.Profile {
	if n == nil {
		c.add(path, "no_profile", "example", "{shape: straight, diameter_mm: 95, height_mm: 150}")
		return nil
	}
	var p *geometry.Profile
	var err error
	if _, isList := n.(*ast.SequenceNode); isList {
		var rows [][]float64
		if !c.decode(path, n, &rows) {
			return nil
		}
		points, ok := c.pairs(path, rows, "pair_profile")
		if !ok {
			return nil
		}
		p, err = ProfileOf(points)
	} else {
		var s shapeFile
		if !c.decode(path, n, &s) {
			return nil
		}
		p, err = c.shape(path, s)
	}
	if err != nil {
		c.add(path, "other", "message", err.Error())
		return nil
	}
	return p
}

// shape builds the profile of a named shape; nil, nil when something is wrong that
// is recorded already.
func (c *collector) shape(path string, s shapeFile) (*geometry.Profile, error) {
	switch s.Shape {
	case "straight":
		return geometry.Cylinder(s.DiameterMM, s.HeightMM)
	case "tapered_round":
		return geometry.TaperedRound(s.BottomDiameterMM, s.TopDiameterMM, s.HeightMM)
	case "tapered_rectangle":
		bottom, ok := c.pair(path+".bottom_mm", s.BottomMM, "pair_sides")
		top, good := c.pair(path+".top_mm", s.TopMM, "pair_sides")
		if !ok || !good {
			return nil, nil
		}
		return geometry.TaperedRect(bottom[0], bottom[1], top[0], top[1], s.HeightMM)
	case "bowl":
		return geometry.Bowl(s.RimDiameterMM, s.DepthMM)
	}
	c.add(path+".shape", "shape", "found", s.Shape)
	return nil, nil
}

// ProfileOf builds a profile of measured points, each [height mm, litres].
func ProfileOf(pairs [][2]float64) (*geometry.Profile, error) {
	points := make([]geometry.Point, len(pairs))
	for i, p := range pairs {
		points[i] = geometry.Point{HeightMM: p[0], VolumeL: p[1]}
	}
	return geometry.FromPoints(points)
}
