package config

import (
	"fmt"
	"strings"

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
		c.want(err == nil, path, "points", "found", strings.ReplaceAll(fmt.Sprint(points), " ", ", "))
		return p
	}
	var s shapeFile
	if !c.decode(path, n, &s) {
		return nil
	}
	if p, err = c.shape(path, s); err != nil {
		c.add(path, "other", "message", err.Error())
		return nil
	}
	return p
}

// shape builds the profile of a named shape; nil, nil when something is wrong that
// is recorded already.
func (c *collector) shape(path string, s shapeFile) (p *geometry.Profile, err error) {
	right := true
	length := func(key string, mm float64) float64 {
		right = c.want(mm > 0 && mm < 5000, path+"."+key, "length", "found", mm) && right
		return mm
	}
	sides := func(key string, both []float64) (a, b float64) {
		pair, ok := c.pair(path+"."+key, both, "pair_sides")
		if right = right && ok; ok {
			length(key, pair[0])
			length(key, pair[1])
		}
		return pair[0], pair[1]
	}
	switch s.Shape {
	case "straight":
		p, err = geometry.Cylinder(length("diameter_mm", s.DiameterMM), length("height_mm", s.HeightMM))
	case "tapered_round":
		p, err = geometry.TaperedRound(length("bottom_diameter_mm", s.BottomDiameterMM), length("top_diameter_mm", s.TopDiameterMM), length("height_mm", s.HeightMM))
	case "tapered_rectangle":
		bottomA, bottomB := sides("bottom_mm", s.BottomMM)
		topA, topB := sides("top_mm", s.TopMM)
		p, err = geometry.TaperedRect(bottomA, bottomB, topA, topB, length("height_mm", s.HeightMM))
	case "bowl":
		p, err = geometry.Bowl(length("rim_diameter_mm", s.RimDiameterMM), length("depth_mm", s.DepthMM))
	default:
		right = c.want(false, path+".shape", "shape", "found", s.Shape)
	}
	if !right {
		return nil, nil
	}
	return p, err
}

// ProfileOf builds a profile of measured points, each [height mm, litres].
func ProfileOf(pairs [][2]float64) (*geometry.Profile, error) {
	points := make([]geometry.Point, len(pairs))
	for i, p := range pairs {
		points[i] = geometry.Point{HeightMM: p[0], VolumeL: p[1]}
	}
	return geometry.FromPoints(points)
}
