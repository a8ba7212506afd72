package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
)

const written = `# ours
household: {clock: 24h}
vessels:
  - name: jar
    holds: starter
    floor_mm: 240   # measured in May
    profile: {shape: straight, diameter_mm: 95, height_mm: 150}
    height: {kind: iio, name: vl53l0x}
channels:
  - {name: bell, kind: command, run: [/usr/bin/bell]}
`

func newFile(t *testing.T, yaml string) (*File, Sheet) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tidemark.yaml")
	require.NoError(t, os.WriteFile(path, []byte(yaml), 0o640))
	f := Open(path)
	s, err := f.Read()
	require.NoError(t, err)
	return f, s
}

// byField is what an error says in English, by field.
func byField(t *testing.T, s Sheet, err error) map[string]string {
	t.Helper()
	var ps Problems
	require.ErrorAs(t, err, &ps)
	return ps.ByField(s, text.New(text.Locale{}))
}

// save makes changes in the file as s shows it.
func save(f *File, s Sheet, changes ...change) (Sheet, error) {
	changed, err := edit(s.Text, changes)
	if err != nil {
		return s, err
	}
	return f.Save(s.Version, changed)
}

func TestSaveAndUndo(t *testing.T) {
	f, s := newFile(t, written)
	assert.False(t, s.CanUndo)
	s, err := save(f, s, change{"vessels[0].floor_mm", 238.5})
	require.NoError(t, err)
	assert.Equal(t, strings.Replace(written, "floor_mm: 240 ", "floor_mm: 238.5 ", 1), string(s.Text))
	assert.InDelta(t, 238.5, s.Config.Vessels[0].FloorMM, 1e-9)
	s, err = save(f, s, change{"household.clock", "12h"}, change{"household.language", "de"})
	require.NoError(t, err)
	assert.True(t, s.Config.Household.TwelveHour)
	for range 2 {
		require.True(t, s.CanUndo)
		s, err = f.Undo(s.Version)
		require.NoError(t, err)
	}
	assert.Equal(t, written, string(s.Text), "undone twice, nothing is left of both")
	_, err = f.Undo(s.Version)
	assert.ErrorIs(t, err, ErrNoUndo)
	info, err := os.Stat(f.path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o640), info.Mode().Perm())
}

func TestBadValuesLeaveTheFile(t *testing.T) {
	f, s := newFile(t, written)
	_, err := save(f, s, change{"household.clock", "12h"}, change{"vessels[0].floor_mm", -3.0})
	var ps Problems
	require.ErrorAs(t, err, &ps)
	assert.Equal(t, "vessels[0].floor_mm", ps[0].Path)
	assert.Equal(t, 6, ps[0].Line)
	assert.Equal(t, 15, ps[0].Col)
	now, err := f.Read()
	require.NoError(t, err)
	assert.Equal(t, written, string(now.Text))
}

func TestTwoPeopleAtOnce(t *testing.T) {
	f, s := newFile(t, written)
	var both sync.WaitGroup
	errs := make([]error, 2)
	for i, lang := range []string{"de", "en"} {
		both.Go(func() { _, errs[i] = save(f, s, change{"household.language", lang}) })
	}
	both.Wait()
	assert.True(t, (errs[0] == nil) != (errs[1] == nil), "%v", errs)
	for _, err := range errs {
		if err != nil {
			assert.ErrorIs(t, err, ErrChanged)
		}
	}
}

func TestHandEditsAreSeen(t *testing.T) {
	f, s := newFile(t, written)
	edited := strings.Replace(written, "ours", "mine", 1)
	f.before = func(step string) error {
		if step == "look again" { // somebody saves at the worst moment
			return os.WriteFile(f.path, []byte(edited), 0o640)
		}
		return nil
	}
	_, err := save(f, s, change{"household.clock", "12h"})
	require.ErrorIs(t, err, ErrChanged)
	_, err = f.Undo(s.Version)
	require.ErrorIs(t, err, ErrChanged)
	now, err := f.Read()
	require.NoError(t, err)
	assert.Equal(t, edited, string(now.Text))
	assert.False(t, now.CanUndo, "what was edited by hand is not undone from here")
}

// A power cut, or a disk that takes no more, before or in each step leaves the old file,
// whole, and the next change works.
func TestPowerCutAndFullDisk(t *testing.T) {
	full := errors.New("no space left on device")
	for _, step := range []string{"backup", "write", "look again", "rename"} {
		for _, how := range []string{"cut", "torn and cut", "full", "torn and full"} {
			what := how + " at " + step
			f, s := newFile(t, written)
			f.before = func(now string) error {
				if now != step {
					return nil
				}
				if strings.HasPrefix(how, "torn") { // half of it is on the disk
					name := f.path + ".new"
					if step == "backup" {
						name = f.Backup([]byte(strings.Replace(written, "24h", "12h", 1)))
					}
					require.NoError(t, os.WriteFile(name, []byte(written[:20]), 0o600))
				}
				if strings.HasSuffix(how, "cut") {
					panic("cut")
				}
				return full
			}
			func() {
				defer func() { require.Contains(t, []any{nil, "cut"}, recover()) }()
				_, err := save(f, s, change{"household.clock", "12h"})
				require.ErrorIs(t, err, full, what)
				assert.NoFileExists(t, f.path+".new", what)
			}()
			again := Open(f.path)
			now, err := again.Read()
			require.NoError(t, err, what)
			assert.Equal(t, written, string(now.Text), what)
			assert.False(t, now.CanUndo, what)
			now, err = save(again, now, change{"household.clock", "12h"}, change{"household.language", "de"})
			require.NoError(t, err, what)
			now, err = again.Undo(now.Version)
			require.NoError(t, err, what)
			assert.Equal(t, written, string(now.Text), what)
		}
	}
}

func TestNeverFromOutside(t *testing.T) {
	_, s := newFile(t, written)
	for _, v := range []Value{
		{"state_dir", "/tmp"}, {"sysfs", "/tmp"}, {"web.listen", ":80"}, {"web.tls_key", "/etc/shadow"}, {"web", "{listen: 80}"}, {"web", ""},
		{"channels[0]", ""}, {"channels[0].run", "/bin/sh"}, {"channels[0].name", "x"}, {"channels[0].kind", "topic"}, {"channels", ""}, {"channels[+]", ""},
		{"channels[+].kind", "command"}, {"channels[+].run", "/bin/sh"}, {"channels[+].token_file", "/etc/shadow"}, {"channels[+].ca_file", "/etc/shadow"},
		{"vessels[0].height", "{kind: mqtt, broker: \"mqtt://a.example\", topic: x, password_file: /etc/shadow}"}, {"vessels[+].height", "{kind: mqtt, ca_file: /etc/shadow}"},
		{"vessels[0].height.password_file", "/etc/shadow"}, {"vessels[0].height.device", "/etc/shadow"}, {"vessels[0]", "x"}, {"vessels", ""},
		{"vessels[0].profile", "x"}, {"vessels[0].batch", "x"}, {"heartbeat_url", "http://a.example"}, {"sample_every", "1s"}, {"", "x"}, {"a.b][", "x"},
	} {
		_, err := Typed(s, []Value{v}, nil)
		assert.NotEmpty(t, byField(t, s, err)[v.Path], "%v", v)
	}
}

// Whatever text is given as a value, it is a value afterwards and nothing else.
func TestTextsStayTexts(t *testing.T) {
	for _, name := range []string{"x\nstate_dir: /tmp", "x, state_dir: /tmp}", "*x", "&x", "!!int 3", "null", "~", "yes", "1", "0x1F", "1e3", "#", "a #b", "'", `"`, "\\", "é", "- x", "? x", "{}", "\x00", "\u0085\u2028"} {
		out, err := edit([]byte(written), []change{{"household.time_zone", name}, {"vessels[0].lead", name}})
		if !assert.NoError(t, err, "%q", name) {
			continue
		}
		v, err := decode(out)
		require.NoError(t, err)
		assert.Equal(t, name, lookup(v, step{key: "household"}, step{key: "time_zone"}), "%q", name)
	}
}

func TestManyChangesKeepFewCopies(t *testing.T) {
	f, s := newFile(t, written)
	for i := range 30 {
		var err error
		s, err = save(f, s, change{"vessels[0].floor_mm", 240.5 + float64(i)})
		require.NoError(t, err)
	}
	all, err := filepath.Glob(f.path + "*")
	require.NoError(t, err)
	assert.Len(t, all, 1+backupsKept)
}
