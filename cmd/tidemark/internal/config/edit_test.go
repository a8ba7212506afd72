package config_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
)

const kitchen = `# my kitchen
vessels:
  - name: jar
    holds: starter
    floor_mm: 170   # with the lid on
    profile: {shape: straight, diameter_mm: 85,
              height_mm: 150}   # bought in spring
    height: {kind: iio}
  - name: "tub"
    floor_mm: 240
    profile:
      - [0, 0]
      - [100, 2.2]   # a line
    holds: dough
`

func TestSetCalibration(t *testing.T) {
	out, err := config.SetCalibration([]byte(kitchen), "jar", 171.5, nil)
	require.NoError(t, err)
	assert.Equal(t, strings.Replace(kitchen, "floor_mm: 170", "floor_mm: 171.5", 1), string(out))

	out, err = config.SetCalibration([]byte(kitchen), "jar", 171.5, [][2]float64{{0, 0}, {50, 0.25}, {120.5, 0.7}})
	require.NoError(t, err)
	want := strings.Replace(kitchen, "floor_mm: 170", "floor_mm: 171.5", 1)
	want = strings.Replace(want, "profile: {shape: straight, diameter_mm: 85,\n              height_mm: 150}", "profile: [[0, 0], [50, 0.25], [120.5, 0.7]]", 1)
	assert.Equal(t, want, string(out))

	out, err = config.SetCalibration([]byte(kitchen), "tub", 241, [][2]float64{{0, 0}, {90, 2}})
	require.NoError(t, err)
	want = strings.Replace(kitchen, "floor_mm: 240", "floor_mm: 241", 1)
	want = strings.Replace(want, "profile:\n      - [0, 0]\n      - [100, 2.2]", "profile: [[0, 0], [90, 2]]", 1)
	assert.Equal(t, want, string(out))

	_, err = config.SetCalibration([]byte(kitchen), "cup", 241, nil)
	assert.ErrorContains(t, err, `no vessel named "cup"`)
	_, err = config.SetCalibration([]byte("vessels:\n  - {name: cup, floor_mm: 3}\n"), "cup", 241, nil)
	assert.ErrorContains(t, err, "by hand")
	_, err = config.SetCalibration([]byte("vessels:\n  - name: cup\n    holds: dough\n"), "cup", 241, nil)
	assert.ErrorContains(t, err, "add the line floor_mm: 241")
	_, err = config.SetCalibration([]byte("\t- :"), "cup", 241, nil)
	assert.Error(t, err)
}
