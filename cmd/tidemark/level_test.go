package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestLevelTakesWaterAndWritesTheProfile(t *testing.T) {
	t.Parallel()
	dir := newHouse(t)
	file, raw := filepath.Join(dir, "t.yaml"), filepath.Join(dir, "sys/bus/iio/devices/iio:device0/in_distance_raw")
	in, keyboard := io.Pipe()
	person := &baker{t: t, file: raw, keyboard: keyboard, acts: []act{
		{"240", ""}, {"195", "0,9"}, {"195", "x"}, {"150", "2 l"}, {"150", ""}, {"150", "y"}}}
	err := runLevel(t.Context(), streams{in, person, person}, []string{"--config", file, "--seconds", "1"})
	out := person.screen.String()
	require.NoError(t, err, out)
	assert.Contains(t, out, "0.9 L stand 45.0 mm high.")
	assert.Contains(t, out, `"x" is not a number of litres`)
	assert.NotContains(t, out, "Note: at")
	assert.Contains(t, out, "Note: above the last level of water")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Contains(t, string(text), "profile: [[0, 0], [45, 0.9], [90, 2], [145, 3.4], [200, 4.799]]\n", "above the water the walls go on as they were said to")
}

// act is what a baker does when asked: fill the vessel to a distance and type.
type act struct{ distance, answer string }

// baker reads the screen and answers each question.
type baker struct {
	t        *testing.T
	file     string // of the distance
	keyboard io.Writer
	acts     []act
	screen   bytes.Buffer
}

// Write takes what the program prints; a question ends with a blank.
func (b *baker) Write(p []byte) (int, error) {
	b.screen.Write(p)
	if bytes.HasSuffix(p, []byte(" ")) && len(b.acts) > 0 {
		next := b.acts[0]
		b.acts = b.acts[1:]
		require.NoError(b.t, os.WriteFile(b.file, []byte(next.distance), 0o600))
		go func() { _, _ = io.WriteString(b.keyboard, next.answer+"\n") }()
	}
	return len(p), nil
}
