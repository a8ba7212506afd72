package config

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
)

func TestTypedValuesBecomeChanges(t *testing.T) {
	f, s := newFile(t, written)
	save := func(typed ...Value) (Sheet, error) {
		t.Helper()
		text, err := Typed(s, typed, []string{"{kind: w1, id: 28-00000a1b2c3d}"})
		if err != nil {
			return s, err
		}
		fresh, err := f.Save(s.Version, text)
		return fresh, err
	}
	fresh, err := save(Value{"household.clock", "24h"}, Value{"household.temperature", "celsius"}, Value{"household.time_zone", ""}, Value{"vessels[0].floor_mm", "240"},
		Value{"vessels[0].height", "{kind: iio, name: vl53l0x}"}, Value{"vessels[0].profile.shape", ""}, Value{"vessels[0].profile.height_mm", ""})
	require.NoError(t, err)
	assert.Equal(t, written, string(fresh.Text), "what is as it was changes nothing")

	s, err = save(Value{"vessels[+].name", "tub"}, Value{"vessels[+].holds", "dough"}, Value{"vessels[+].floor_mm", "300,5"}, Value{"vessels[+].profile.diameter_mm", "180"},
		Value{"vessels[+].profile.height_mm", "200"}, Value{"vessels[+].profile.shape", "straight"}, Value{"vessels[+].height", "{kind: iio, name: vl53l0x}"},
		Value{"vessels[+].dough", "{kind: w1, id: 28-00000a1b2c3d}"}, Value{"vessels[+].air", ""})
	require.NoError(t, err)
	assert.Contains(t, string(s.Text), `  - name: tub
    holds: dough
    floor_mm: 300.5
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    height: {kind: iio, name: vl53l0x}
    dough: {kind: w1, id: 28-00000a1b2c3d}
channels:`)
	assert.Equal(t, "{kind: w1, id: 28-00000a1b2c3d}", s.Values()["vessels[1].dough"])

	s, err = save(Value{"vessels[1].profile.shape", "tapered_rectangle"}, Value{"vessels[1].profile.bottom_mm", "200 × 140"}, Value{"vessels[1].profile.top_mm", "230x170,5"}, Value{"vessels[1].profile.height_mm", "150"})
	require.NoError(t, err)
	assert.Contains(t, string(s.Text), "    profile: {shape: tapered_rectangle, bottom_mm: [200, 140], top_mm: [230, 170.5], height_mm: 150}\n")

	s, err = save(Value{"channels[+].name", "post"}, Value{"channels[+].kind", "mail"}, Value{"channels[+].host", "mail.example.org"}, Value{"channels[+].from", "kitchen@example.org"},
		Value{"channels[+].to", "anna@example.org, ben@example.org"}, Value{"channels[+].password", "s3cret # not a comment"})
	require.NoError(t, err)
	require.Len(t, s.Config.Channels, 2)
	assert.Equal(t, "s3cret # not a comment", s.Config.Channels[1].Password.Reveal())
	assert.Equal(t, []string{"anna@example.org", "ben@example.org"}, s.Config.Channels[1].To)
	for path, v := range s.Values() {
		assert.NotContains(t, v, "s3cret", path)
	}
	s, err = save(Value{"channels[1]", ""}, Value{"vessels[1]", ""})
	require.NoError(t, err)
	assert.Equal(t, written, string(s.Text), "taken out again, the file is as it was")
}

// TestDoughAndFeeding: what is mixed is said in one line, and comes back as it was said.
func TestDoughAndFeeding(t *testing.T) {
	f, s := newFile(t, strings.Replace(written, "channels:", "  - {name: tub, holds: dough, floor_mm: 200, height: {kind: hand}}\n  - {name: cup, holds: dough, height: {kind: hand}}\nchannels:", 1))
	save := func(typed ...Value) {
		t.Helper()
		text, err := Typed(s, typed, nil)
		require.NoError(t, err)
		fresh, err := f.Save(s.Version, text)
		require.NoError(t, err)
		s = fresh
	}
	dough := []Value{{"vessels[1].batch.name", "our loaf"}, {"vessels[1].batch.flours", "wheat 800, rye 100 whole"}, {"vessels[1].batch.water_g", "640"},
		{"vessels[1].batch.levain.grams", "200"}, {"vessels[1].batch.levain.hydration_percent", "100"}, {"vessels[1].batch.salt_g", "20"},
		{"vessels[1].batch.inclusions", "soaked seeds 120.5 water 60"}, {"vessels[1].batch.loaves", "2"}, {"vessels[1].batch.bake_in", "pot"}, {"vessels[1].batch.at_once", "1"}}
	save(append(dough, Value{"vessels[0].feed.starter_g", "20"}, Value{"vessels[0].feed.flour_g", "40"}, Value{"vessels[0].feed.water_g", "40"}, Value{"vessels[2].sample_of", "tub"})...)
	b := s.Config.Vessels[1].Batch
	require.NotNil(t, b)
	assert.Equal(t, []bake.Flour{{Name: "wheat", Grams: 800}, {Name: "rye", Grams: 100, Whole: true}}, b.Flours)
	assert.Equal(t, []bake.Inclusion{{Name: "soaked seeds", Grams: 120.5, WaterG: 60}}, b.Inclusions)
	assert.Equal(t, "1 : 2 : 2", s.Config.Vessels[0].Feed.Ratio())
	assert.Equal(t, "tub", s.Config.Vessels[2].SampleOf)
	for _, v := range dough {
		assert.Equal(t, v.Text, s.Values()[v.Path])
	}
	before := s.Version
	save(dough...)
	assert.Equal(t, before, s.Version, "what is as it was changes nothing")
	save(Value{"vessels[1].batch.water_g", "650"}, Value{"vessels[1].batch.inclusions", ""})
	assert.InDelta(t, 650, s.Config.Vessels[1].Batch.WaterG, 1e-9)
	assert.Empty(t, s.Config.Vessels[1].Batch.Inclusions)
	for i := range dough {
		dough[i].Text = ""
	}
	save(append(dough, Value{"vessels[0].feed.starter_g", ""}, Value{"vessels[0].feed.flour_g", ""})...)
	assert.Nil(t, s.Config.Vessels[1].Batch)
	assert.Nil(t, s.Config.Vessels[0].Feed)
	assert.NotContains(t, string(s.Text), "batch")
}

// TestAChannelIsChanged keeps its secrets, which go to no other address unseen.
func TestAChannelIsChanged(t *testing.T) {
	const phone = "  - {name: phone, kind: topic, url: \"https://push.example.net/?k=s3cret\", topic: kitchen-7f3a, token: s3cret}   # Anna's\n" +
		"  - {name: post, kind: mail, host: mail.example.org, from: a@example.org, to: [b@example.org], user: anna, password_file: /etc/p}\n"
	f, s := newFile(t, written+phone)
	for path, v := range s.Values() {
		assert.NotContains(t, v, "s3cret", path)
		assert.NotContains(t, v, "7f3a", path)
	}
	text, err := Typed(s, []Value{{"channels[1].name", "annas"}, {"channels[1].url", ""}, {"channels[1].token", ""}, {"channels[1].topic", "kitchen-9"}, {"channels[2].to", "b@example.org, c@example.org"}}, nil)
	require.NoError(t, err)
	s, err = f.Save(s.Version, text)
	require.NoError(t, err)
	assert.Contains(t, string(s.Text), `  - {name: annas, kind: topic, url: "https://push.example.net/?k=s3cret", topic: kitchen-9, token: s3cret}   # Anna's`)
	assert.Equal(t, []string{"b@example.org", "c@example.org"}, s.Config.Channels[2].To)
	_, err = Typed(s, []Value{{"channels[1].url", "https://other.example"}, {"channels[1].token", ""}}, nil)
	assert.Contains(t, byField(t, s, err)["channels[1].token"], "type it again")
	_, err = Typed(s, []Value{{"channels[2].host", "other.example"}}, nil)
	assert.Contains(t, byField(t, s, err)["channels[2].host"], "by hand")
	text, err = Typed(s, []Value{{"channels[1].url", "https://other.example"}, {"channels[1].token", "n3w"}}, nil)
	require.NoError(t, err)
	s, err = f.Save(s.Version, text)
	require.NoError(t, err)
	assert.Equal(t, "n3w", s.Config.Channels[1].Token.Reveal())
}

func TestWhatIsWrongStandsAtItsField(t *testing.T) {
	german := text.New(text.Locale{Language: "de"})
	f, s := newFile(t, written)
	tub := func(more ...Value) []Value {
		return append([]Value{{"vessels[+].name", "tub"}, {"vessels[+].holds", "dough"}, {"vessels[+].floor_mm", "300"}, {"vessels[+].height", "{kind: iio, name: vl53l0x}"},
			{"vessels[+].profile.shape", "straight"}, {"vessels[+].profile.diameter_mm", "180"}, {"vessels[+].profile.height_mm", "200"}}, more...)
	}
	phone := func(path, text string) []Value {
		all := []Value{{"channels[+].kind", "topic"}, {"channels[+].name", "phone"}, {"channels[+].topic", "kitchen-7f3a"}, {"channels[+].url", "https://push.example.net"}}
		for i := range all {
			if all[i].Path == path {
				all[i].Text = text
			}
		}
		return all
	}
	for _, c := range []struct {
		typed      []Value
		path, says string
	}{
		{[]Value{{"household.clock", "13h"}}, "household.clock", "24h, 12h (line 2, column 20)"},
		{[]Value{{"household.quiet_from", "late"}, {"household.quiet_until", "06:30"}}, "household.quiet_from", "22:30"},
		{[]Value{{"household.quiet_from", "22:30"}}, "household", "both"},
		{[]Value{{"household.altitude_m", "high"}}, "household.altitude_m", "not a number"},
		{[]Value{{"household.altitude_m", "Inf"}}, "household.altitude_m", "not a number"},
		{[]Value{{"vessels[0].name", "a\nstate_dir: /tmp"}}, "vessels[0].name", "type it anew"},
		{[]Value{{"vessels[0].floor_mm", ""}}, "vessels[0].floor_mm", "missing"},
		{[]Value{{"vessels[0].height", "{kind: mqtt, broker: \"mqtt://evil.example\", topic: x}"}}, "vessels[0].height", "not found now"},
		{[]Value{{"vessels[0].profile.shape", "cone"}}, "vessels[0].profile.shape", "cone"},
		{[]Value{{"vessels[0].profile.shape", "tapered_rectangle"}, {"vessels[0].profile.bottom_mm", "200"}}, "vessels[0].profile.bottom_mm", "200 x 140"},
		{[]Value{{"vessels[0].profile.shape", "tapered_rectangle"}, {"vessels[0].profile.bottom_mm", "200 x wide"}}, "vessels[0].profile.bottom_mm", "200 x 140"},
		{[]Value{{"vessels[0].profile.shape", "tapered_rectangle"}, {"vessels[0].profile.bottom_mm", "200 x -1"}, {"vessels[0].profile.top_mm", "230 x 170"}, {"vessels[0].profile.height_mm", "150"}}, "vessels[0].profile.bottom_mm", "-1 is not an inside measure"},
		{tub(Value{"vessels[+].target_percent", "9999"}), "vessels[+].target_percent", "5 to 400"},
		{tub()[1:], "vessels[+].name", "not a usable name"},
		{tub()[:3], "vessels[+].height", "no height sensor"},
		{append(tub()[:5:5], Value{"vessels[+].profile.height_mm", "200"}), "vessels[+].profile.diameter_mm", "0 is not an inside measure"},
		{phone("channels[+].url", ""), "channels[+].url", "address is missing"},
		{phone("channels[+].name", "Phone 1"), "channels[+].name", "small letters"},
		{phone("channels[+].name", "bell"), "channels[+].name", "used twice"},
		{[]Value{{"vessels[0].batch.flours", "wheat"}}, "vessels[0].batch.flours", "wheat 900"},
		{[]Value{{"vessels[0].batch.flours", "wheat 900, , rye 100"}}, "vessels[0].batch.flours", "wheat 900"},
		{[]Value{{"vessels[0].batch.flours", "wheat 900 water 3"}, {"vessels[0].batch.water_g", "600"}}, "vessels[0].batch", "water_g"},
		{[]Value{{"vessels[0].batch.water_g", "600"}}, "vessels[0].batch.flours", "at least one flour"},
		{[]Value{{"vessels[0].batch.flours", "wheat 900"}, {"vessels[0].batch.bake_in", "sock"}}, "vessels[0].batch.bake_in", "pot, tin"},
		{[]Value{{"vessels[0].feed.flour_g", "-3"}}, "vessels[0].feed.flour_g", ""},
		{[]Value{{"vessels[0].proof_of", "tub"}}, "vessels[0].proof_of", "starter"},
	} {
		changed, err := Typed(s, c.typed, nil)
		if err == nil {
			_, err = f.Save(s.Version, changed)
		}
		assert.Contains(t, byField(t, s, err)[c.path], c.says, "%v: %v", c.typed, err)
		var all Problems
		require.ErrorAs(t, err, &all)
		for _, p := range all {
			said := german.Tell(p.Said)
			assert.True(t, p.Said.Key == "config.other" || said != text.New(text.Locale{}).Tell(p.Said), "English in German: %s", said)
		}
	}
	now, err := f.Read()
	require.NoError(t, err)
	assert.Equal(t, written, string(now.Text))
}
