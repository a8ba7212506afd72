package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// topic is a good channel.
const topic = `{name: phone, kind: topic, url: "https://example.org", topic: kitchen}`

// TestProblemsOfOwners checks the place of what other packages say; their words
// are tested there.
func TestProblemsOfOwners(t *testing.T) {
	for _, c := range []struct{ name, old, fresh, want string }{
		{"sensor", `{kind: w1, id: 28-00000a1b2c3d}`, `{kind: vl53l1x}`, `t.yaml:14:19: vessels[0].dough.kind: `},
		{"channel", "state_dir: /tmp/state", `channels: [{name: phone, kind: topic, url: "ftp://x", topic: t}]`, `t.yaml:4:44: channels[0].url: `},
		{"batch", "    floor_mm: 240\n", "    floor_mm: 240\n    batch: {name: loaf, water_g: -3}\n", `t.yaml:10:`},
		{"shape", "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "{shape: straight, diameter_mm: -1, height_mm: 100}", `t.yaml:10:15: vessels[0].profile: `},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(good, c.old, c.fresh, 1)
			require.NotEqual(t, good, text, "the row changes nothing")
			_, err := Parse("t.yaml", []byte(text), Sensors)
			require.Error(t, err)
			assert.True(t, strings.HasPrefix(err.Error(), c.want), "%s\nshould begin with %s", err, c.want)
		})
	}
}

func TestEveryShape(t *testing.T) {
	for _, shape := range []string{
		"{shape: straight, diameter_mm: 180, height_mm: 200}",
		"{shape: tapered_round, bottom_diameter_mm: 150, top_diameter_mm: 190, height_mm: 200}",
		"{shape: tapered_rectangle, bottom_mm: [200, 150], top_mm: [230, 180], height_mm: 150}",
		"{shape: bowl, rim_diameter_mm: 260, depth_mm: 110}",
	} {
		cfg, err := Parse("t.yaml", []byte(strings.Replace(good, "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", shape, 1)), Sensors)
		require.NoError(t, err, shape)
		p := cfg.Vessels[0].Profile
		assert.Positive(t, p.Volume(p.TopMM()/2), shape)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	_, err := Load(filepath.Join(dir, "none.yaml"), Sensors)
	require.ErrorContains(t, err, "name the file with --config")
	_, err = Load(dir, Sensors)
	require.ErrorContains(t, err, "cannot be read")
	big := filepath.Join(dir, "big.yaml")
	require.NoError(t, os.WriteFile(big, []byte(strings.Repeat("# x\n", maxFileBytes/4+1)), 0o600))
	_, err = Load(big, Sensors)
	require.EqualError(t, err, big+": the file is larger than 64 KiB; this is no file of settings")
	ok := filepath.Join(dir, "ok.yaml")
	require.NoError(t, os.WriteFile(ok, []byte(good), 0o600))
	cfg, err := Load(ok, Sensors)
	require.NoError(t, err)
	assert.Equal(t, ok, cfg.File)
}

func TestVesselNeedsANameAmongSeveral(t *testing.T) {
	two := good + strings.Replace(good[strings.Index(good, "  - name"):], "name: tub", "name: jar", 1)
	cfg, err := Parse("t.yaml", []byte(two), Sensors)
	require.NoError(t, err)
	_, err = cfg.Vessel("")
	require.EqualError(t, err, "t.yaml has 2 vessels: say which with --vessel (tub, jar)")
	v, err := cfg.Vessel("jar")
	require.NoError(t, err)
	assert.Equal(t, "jar", v.Name)
}
