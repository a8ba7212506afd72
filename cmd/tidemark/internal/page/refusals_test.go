package page

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"maps"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/web"
	"tidemark/web/access"
)

// unasked are refusals that a test cannot come to: the disk is full, a link broke, a fault,
// and what the browser or the form rules out.
func unasked() []string {
	return []string{"full", "broken", "no_room", "fault", "fault.text", "batch.tub_l", "batch.levain.grams", "batch.flours", "batch.inclusions.grams", "batch.loaves", "batch.each_g", "batch.flours.grams", "closed", "not_before", "large", "large.text", "no_timetable", "snooze", "recipes", "photos", "busy", "batch.at_once"}
}

// TestRefusalsInGerman walks what the page refuses in a German household: each is a page of
// ours without an English word, and each sentence of the catalogue is heard.
func TestRefusalsInGerman(t *testing.T) {
	f, heard := newForeign(t), ""
	refused := func(w *httptest.ResponseRecorder, what string) {
		t.Helper()
		assert.GreaterOrEqual(t, w.Code, 400, what)
		assert.Contains(t, w.Header().Get("Content-Type"), "text/html", what)
		assert.Empty(t, f.find(w.Body.String()), what)
		for _, s := range said(w.Body.String()) {
			heard += s + "\n"
		}
	}
	k := risen(t, germans, true)
	ids := fill(t, k.store, 22, 10)
	s := k.server(func(o *web.Options) {
		o.Level, o.Setup, o.RecordsMax = &scale{live: o.Live}, &file{sheet: web.Sheet{Version: "v1"}}, 1<<10
	})
	b := newBrowser(t, s)
	for _, form := range []url.Values{{"kind": {"dance"}, "vessel": {"tub"}}, {"kind": {"fold"}, "vessel": {"bathtub"}}, {"kind": {"target"}, "vessel": {"tub"}, "target": {"4000"}},
		{"kind": {"target"}, "vessel": {"tub"}, "target": {"viel"}}, {"kind": {"note"}, "vessel": {"tub"}}, {"kind": {"ack"}, "vessel": {"tub"}}, {"kind": {"step"}, "vessel": {"tub"}, "step": {"tanz"}},
		{"kind": {"judgement"}, "vessel": {"tub"}, "outcome": {"verbrannt"}}, {"kind": {"note"}, "vessel": {"tub"}, "note": {strings.Repeat("x", 2001)}}, {"kind": {"fold"}, "vessel": {"tub"}, "at": {"mittags"}}, {"kind": {"fold"}, "vessel": {"tub"}, "rise": {"99"}}, {"kind": {"snooze"}, "vessel": {"jar"}, "alarm": {"a2"}, "minutes": {"100000"}},
		{"kind": {"fed"}, "vessel": {"jar"}, "starter_g": {"10"}}, {"kind": {"fed"}, "vessel": {"jar"}, "starter_g": {"-1"}, "flour_g": {"5"}, "water_g": {"5"}}, {"kind": {"target"}, "vessel": {"tub"}, "target": {"NaN%"}},
		{"kind": {"correct"}, "vessel": {"tub"}}, {"kind": {"look"}, "vessel": {"tub"}}, {"kind": {"fold"}, "vessel": {"tub"}, "starter_g": {"20"}}, {"kind": {"plan"}, "vessel": {"basket"}},
		{"kind": {"fed"}, "vessel": {"jar"}, "starter_g": {"1"}, "flour_g": {"2000"}, "water_g": {"5"}},
		{"kind": {"away"}, "vessel": {"tub"}, "away_until": {"10"}}, {"kind": {"temperature"}, "vessel": {"tub"}, "dough": {"90"}},
		{"kind": {"plan"}, "vessel": {"basket"}, "asked": {k.clock.Now().Add(-time.Hour).Format(time.RFC3339)}, "ready": {"2026-03-16T13:00"}, "air": {"22"}, "way": {"best"}}} {
		refused(b.post("/act", form), fmt.Sprint(form))
	}
	assert.Empty(t, k.told("tub")+k.told("jar")+k.told("basket"), "nothing of it is taken in")
	for _, path := range []string{"/plan?ready=bald&air=22", "/plan?ready=2026-03-15T13:00&air=60", "/plan?ready=2026-03-15T13:00&air=warm", "/plan?ready=2026-03-14T10:00&air=22", "/plan?ready=2026-03-15T13:00&air=22&way=x",
		"/plan?ready=2026-03-15T13:00&air=22&recipe=x", "/plan?ready=2026-03-15T13:00&air=22&away_from=2026-03-14T20:00", "/plan?ready=2026-03-15T13:00&air=22&at_once=5000", "/plan.ics?ready=bald", "/plan?out=bald", "/recipe?vessel=tub&dough=60", "/recipe?vessel=tub&dough=39&flour=5&room=5",
		"/recipe?vessel=tub&water_g=viel", "/recipe?vessel=tub&water_g=5000", "/recipe?vessel=tub&salt_g=500", "/recipe?vessel=tub&fit=hand",
		"/rises?from=gestern", "/rises?outcome=x", "/rises?limit=0", "/rises/x", "/rises/4711", "/compare", "/compare?id=x", "/compare?id=4711", "/compare?" + chosen(ids),
		"/vessels/wanne/level", "/share/nichts", "/nirgends", "/house/restores/nichts"} {
		refused(b.get(path), path)
	}
	for _, c := range []struct {
		path string
		form url.Values
	}{{"/vessels/basket/level", url.Values{"step": {"kochen"}}}, {"/vessels/basket/level", url.Values{"step": {"pour"}, "litres": {"viel"}}}, {"/recipe", url.Values{"vessel": {"tub"}, "name": {" "}}},
		{fmt.Sprintf("/rises/%d/judgement", ids[0]), url.Values{"outcome": {"x"}}}, {fmt.Sprintf("/rises/%d/judgement/undo", ids[0]), nil}, {"/rises/4711/remove", nil},
		{"/tokens", url.Values{"name": {"ä"}, "scope": {"read"}}}, {"/tokens", url.Values{"name": {"x"}}}, {"/tokens", url.Values{"name": {"x"}, "remove": {"1"}}}} {
		refused(b.post(c.path, c.form), c.path)
	}
	require.Equal(t, 200, b.post("/tokens", url.Values{"name": {"x"}, "scope": {"read"}}).Code)
	refused(b.post("/tokens", url.Values{"name": {"x"}, "scope": {"read"}}), "a token twice")
	var dense bytes.Buffer
	require.NoError(t, png.Encode(&dense, image.NewGray(image.Rect(0, 0, 3000, 2500))))
	photos := fmt.Sprintf("/rises/%d/photos", ids[0])
	for _, body := range [][]byte{[]byte("<html>"), picture(t, 400, 400, 1)[:2000], dense.Bytes(), bytes.Repeat([]byte{0xff, 0xd8, 0xff, 0xe0}, 4<<20)} {
		refused(b.sendFile(photos, "photo", "x.jpg", body, nil), "a photo")
	}
	refused(b.sendFile(photos, "other", "x", []byte("x"), nil), "no photo")
	refused(b.sendFile("/house/records", "record", "x", []byte("time,"), nil), "no vessel")
	refused(b.sendFile("/house/records", "record", "x", []byte("time,"), url.Values{"vessel": {"tub"}, "holds": {"soup"}}), "soup")
	refused(b.sendFile("/house/records", "record", "x", make([]byte, 2<<10), url.Values{"vessel": {"tub"}}), "a long record")
	foreign := request("POST", "/act", url.Values{"kind": {"fold"}, "vessel": {"tub"}})
	foreign.Header.Set("Origin", "http://evil.example")
	refused(do(s, foreign), "from another site")
	named := request("GET", "/", nil)
	named.Host = "evil.example"
	refused(do(s, named), "under another name")
	for _, pass := range [][2]string{{"kurz", "kurz"}, {strings.Repeat("x", 513), strings.Repeat("x", 513)}, {"eins zwei drei", "vier"}} {
		refused(b.post("/settings/passphrase", url.Values{"passphrase": {pass[0]}, "again": {pass[1]}}), pass[0][:4])
	}
	stranger := newBrowser(t, s)
	stranger.from = "192.168.1.9:50000"
	refused(stranger.get("/"), "from the network")
	lock(t, k)
	s = k.server(nil)
	stranger = newBrowser(t, s)
	refused(stranger.post("/act", url.Values{"kind": {"fold"}, "vessel": {"tub"}}), "locked")
	for range 7 {
		refused(stranger.post("/unlock", url.Values{"passphrase": {"falsch falsch"}}), "a wrong passphrase")
	}
	fresh := openKitchen(t, germans, true, 0)
	refused(newBrowser(t, fresh.server(nil)).get("/plan?out=20:00"), "nothing rises")
	window := access.NewWindow("BCDFGHJK")
	s = fresh.server(func(o *web.Options) { o.Setup, o.Window = &file{}, window })
	stranger = newBrowser(t, s)
	stranger.from = "192.168.1.9:50000"
	refused(stranger.post("/setup", url.Values{"code": {"x"}, "passphrase": {phrase}, "again": {phrase}}), "a wrong code")
	refused(stranger.post("/setup", url.Values{"code": {"BCDFGHJK"}, "passphrase": {phrase}, "again": {"x"}}), "two passphrases")
	window.Close()
	refused(stranger.get("/"), "not set up")
	assertHeard(t, heard)
}

// chosen names rises as the form that compares them does.
func chosen(ids []int64) string {
	q := url.Values{}
	for _, id := range ids {
		q.Add("id", fmt.Sprint(id))
	}
	return q.Encode()
}

// assertHeard looks for each refusal of the German catalogue in what was said.
func assertHeard(t *testing.T, heard string) {
	t.Helper()
	de, err := text.Load("de")
	require.NoError(t, err)
	var missing []string
	for _, key := range slices.Sorted(maps.Keys(de)) {
		name, ok := strings.CutPrefix(key, "page.refused.")
		if !ok || slices.Contains(unasked(), name) {
			continue
		}
		if !regexp.MustCompile(holes.ReplaceAllString(regexp.QuoteMeta(de[key]), ".*")).MatchString(heard) {
			missing = append(missing, name)
		}
	}
	assert.Empty(t, missing, "refusals that were not heard")
}
