package app

import (
	"io"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/survey"
	"tidemark/web"
)

// TestWhatCountsAtOnce: what the page says before saving is so.
func TestWhatCountsAtOnce(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := openBasin(t, dir, 8190)
		s := b.app.setup
		for _, c := range []struct {
			path, value string
			wait        bool
		}{
			{"vessels[0].target_percent", "80", false}, {"vessels[0].lead", "45m", false}, {"vessels[0].floor_mm", "251", false},
			{"vessels[0].name", "big tub", true}, {"household.clock", "12h", true}, {"web.base_url", "http://kitchen.local:8080", true},
		} {
			now, err := s.Sheet()
			require.NoError(t, err)
			_, wait, err := s.Save(t.Context(), now.Version, []web.Setting{{Path: c.path, Value: c.value}})
			require.NoError(t, err, c.path)
			assert.Equal(t, c.wait, wait, c.path)
			now, err = s.Sheet()
			require.NoError(t, err)
			assert.Equal(t, c.value, now.Values[c.path])
			_, _, err = s.Undo(t.Context(), now.Version)
			require.NoError(t, err, c.path)
		}
		now, err := s.Sheet()
		require.NoError(t, err)
		_, _, err = s.Save(t.Context(), now.Version, []web.Setting{{Path: "state_dir", Value: "/tmp"}})
		require.ErrorContains(t, err, "by hand only")
		_, _, err = s.Save(t.Context(), "0011", []web.Setting{{Path: "household.clock", Value: "12h"}})
		refusedWith(t, err, "changed meanwhile")
	})
}

// TestAnAnswerToATestIsNoAnswerToAnAlarm keeps what came back, for channels there are.
func TestAnAnswerToATestIsNoAnswerToAnAlarm(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.app.opt.Config.Channels = []alert.ChannelSpec{{Name: "phone"}}
	b.app.setup = b.app.newSetup()
	require.NoError(t, b.app.pressed(t.Context(), alert.AnswerAck, alert.TestID("phone")))
	assert.NotEmpty(t, b.app.setup.tested["phone"])
	require.ErrorIs(t, b.app.pressed(t.Context(), alert.AnswerSnooze, alert.TestID("pigeon")), alert.ErrUnknownAlarm)
}

// TestFoundInWords: what a look at the buses says is in the household's language.
func TestFoundInWords(t *testing.T) {
	de := text.New(text.Locale{Language: "de"})
	silent := survey.Found{Result: survey.Result{Problem: sensor.Fault(sensor.Missing, "chip.silent", "address", "0x29", "error", io.EOF), Advice: []string{"advice.i2c.missing.2"}}}
	assert.Equal(t, "der Chip bei 0x29 antwortet nicht (EOF); Verdrahtung und Versorgung prüfen; die Drähte SDA und SCL, Masse und 3,3 V am Chip prüfen; sie sind leicht vertauscht", Trouble(de, silent))
	assert.Contains(t, Trouble(de, survey.Found{Result: survey.Result{Advice: []string{"scan.w1.none"}}}), "drei Drähte")
	assert.Empty(t, Trouble(de, survey.Found{}))
	assert.Equal(t, "Thermometer 28-00000a1b2c3d", de.Value("", sensor.Say("scan.thermometer", "id", "28-00000a1b2c3d")))
}
