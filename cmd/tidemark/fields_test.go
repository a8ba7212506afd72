package main

import (
	"fmt"
	"html"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor/sensortest"
)

// a household with a vessel and a channel of each kind, whose page has every field.
const allKinds = `  - name: cup
    holds: dough
    sample_of: tub
    height: {kind: hand}
  - name: jar
    holds: starter
    height: {kind: hand}
channels:
  - {name: phone, kind: topic, url: "http://127.0.0.1:9", topic: kitchen-7f3a}
  - {name: post, kind: mail, host: 127.0.0.1, port: 9, tls: none, from: a@example.org, to: [b@example.org]}
  - {name: home, kind: mqtt, url: "mqtt://127.0.0.1:9"}
  - {name: hook, kind: webhook, url: "http://127.0.0.1:9/hook"}
`

// unusable is a bad value for each field of the page of settings, without the numbers of
// entries.
func unusable() map[string]string {
	const stranger = `{kind: mqtt, broker: "mqtt://evil.example", topic: x}`
	return map[string]string{
		"household.language": "fr", "household.clock": "13h", "household.temperature": "kelvin", "household.time_zone": "Mars/Base",
		"household.quiet_from": "late", "household.quiet_until": "25:00", "household.altitude_m": "9000", "web.base_url": "kitchen",
		"vessels.name": "a/b", "vessels.holds": "soup", "vessels.target_percent": "1", "vessels.lead": "soon", "vessels.floor_mm": "-3",
		"vessels.height": stranger, "vessels.dough": stranger, "vessels.air": stranger, "vessels.loaf": stranger, "vessels.proof_of": "nobody", "vessels.sample_of": "nobody",
		"vessels.profile.shape": "cone", "vessels.profile.diameter_mm": "wide", "vessels.profile.bottom_diameter_mm": "1e999", "vessels.profile.top_diameter_mm": "NaN",
		"vessels.profile.bottom_mm": "200", "vessels.profile.top_mm": "200 x 140 x 3", "vessels.profile.rim_diameter_mm": "0x", "vessels.profile.height_mm": "--1", "vessels.profile.depth_mm": "3 cm",
		"vessels.batch.name": "a\x07b", "vessels.batch.flours": "wheat", "vessels.batch.water_g": "lots", "vessels.batch.levain.grams": "1.2.3", "vessels.batch.levain.hydration_percent": "wet",
		"vessels.batch.salt_g": "a pinch", "vessels.batch.inclusions": "80", "vessels.batch.loaves": "two", "vessels.batch.bake_in": "sock", "vessels.batch.at_once": "all",
		"vessels.feed.starter_g": "some", "vessels.feed.flour_g": "-", "vessels.feed.water_g": "Inf",
		"channels.name": "Phone 1", "channels.kind": "pigeon", "channels.url": "ftp://x", "channels.topic": "a b", "channels.token": "a\x07", "channels.sign_key": "\x7fb",
		"channels.host": "a\x01b", "channels.port": "99999999", "channels.from": "nobody", "channels.to": "anna", "channels.user": "\x00", "channels.password": "a\nb",
	}
}

// sheetForm is a form of the page with what its fields hold.
type sheetForm map[string]string

var (
	formOf   = regexp.MustCompile(`(?s)<form method="post" action="/settings" class="stack">(.*?)</form>`)
	fieldOf  = regexp.MustCompile(`(?s)<input[^>]* name="([^"]*)" value="([^"]*)"|<select name="([^"]*)"[^>]*>(.*?)</select>`)
	chosenOf = regexp.MustCompile(`<option value="([^"]*)" selected`)
	numberOf = regexp.MustCompile(`\[[0-9+]+\]`)
)

// formsOf reads the forms of the page, and makes those that add something complete.
func formsOf(page string) []sheetForm {
	var out []sheetForm
	for _, f := range formOf.FindAllStringSubmatch(page, -1) {
		form := sheetForm{}
		for _, m := range fieldOf.FindAllStringSubmatch(strings.ReplaceAll(f[1], `type="hidden" `, ``), -1) {
			if m[1] != "" {
				form[html.UnescapeString(m[1])] = html.UnescapeString(m[2])
			} else if c := chosenOf.FindStringSubmatch(m[4]); c != nil {
				form[html.UnescapeString(m[3])] = html.UnescapeString(c[1])
			} else {
				form[html.UnescapeString(m[3])] = ""
			}
		}
		good := map[string]string{"vessels[+].name": "new", "vessels[+].profile.diameter_mm": "95", "vessels[+].profile.height_mm": "150", "channels[+].url": "http://127.0.0.1:9",
			"channels[+].host": "mail.example.org", "channels[+].from": "a@example.org", "channels[+].to": "b@example.org", "vessels[0].batch.flours": "wheat 900", "vessels[0].batch.water_g": "600"}
		if form["channels[+].kind"] == "mqtt" {
			good["channels[+].url"] = "mqtt://127.0.0.1:9"
		}
		for path, v := range good {
			if _, there := form[path]; there {
				form[path] = v
			}
		}
		out = append(out, form)
	}
	return out
}

// browse asks for the settings, and returns them.
func (d *daemon) browse() string {
	d.t.Helper()
	res, err := http.Get(d.page() + "/settings")
	require.NoError(d.t, err)
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(res.Body)
	require.NoError(d.t, err)
	return string(body)
}

// send sends a form as it is filled in.
func (d *daemon) send(form sheetForm) (int, string) {
	v := url.Values{}
	for path, text := range form {
		v.Set(path, text)
	}
	res, err := http.PostForm(d.page()+"/settings", v)
	if !assert.NoError(d.t, err) {
		return 0, ""
	}
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(res.Body)
	assert.NoError(d.t, err)
	return res.StatusCode, string(body)
}

// TestBadInputOnEveryField sends a bad value in every field of every form of the
// settings to the real service: each is told beside its field, with what was typed still
// there, and the file stays byte for byte.
func TestBadInputOnEveryField(t *testing.T) {
	t.Parallel()
	dir := newHouse(t)
	configure(t, dir, allKinds)
	d := startDaemon(t, dir)
	file := filepath.Join(dir, "t.yaml")
	before, err := os.ReadFile(file)
	require.NoError(t, err)
	unused := unusable()
	sent := 0
	for _, form := range formsOf(d.browse()) {
		for _, path := range slices.Sorted(maps.Keys(form)) {
			if path == "version" || path == "form" {
				continue
			}
			plain := numberOf.ReplaceAllString(path, "")
			bad, known := unusable()[plain]
			require.True(t, known, "%s has no bad value in this test", plain)
			delete(unused, plain)
			one := maps.Clone(form)
			one[path] = bad
			status, body := d.send(one)
			sent++
			assert.Equal(t, http.StatusConflict, status, "%s: %q", path, bad)
			beside := regexp.MustCompile(`(?s)name="` + regexp.QuoteMeta(strings.ReplaceAll(path, "+", "&#43;")) + `"[^>]*aria-invalid="true"`)
			onTap := form["form"] == "" && strings.Contains(body, "this sensor is not found now") // a found sensor's own button
			assert.True(t, beside.MatchString(body) || onTap || plain == "channels.kind", "%s: %q is not told beside its field", path, bad)
			if !strings.ContainsAny(bad, "\x00\x07\x01\x7f\n") && !strings.Contains(bad, "{") && plain != "channels.kind" {
				assert.True(t, strings.Contains(body, `value="`+html.EscapeString(bad)+`"`) || strings.Contains(body, `<select name="`+strings.ReplaceAll(path, "+", "&#43;")), "%s: %q is gone", path, bad)
			}
			after, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, string(before), string(after), "%s: %q", path, bad)
		}
	}
	assert.Empty(t, unused, "fields that are not on the page")
	assert.Greater(t, sent, 90)
	require.NoError(t, d.end(syscall.SIGTERM, endsWithin))
}

// TestATopicOfTheHouseIsTaken: what the household's broker hears is among the found
// sensors with its reading, one tap takes it, and it is read from then on with the login
// of the messages.
func TestATopicOfTheHouseIsTaken(t *testing.T) {
	t.Parallel()
	b := sensortest.NewBroker(t)
	b.Set(func() { b.User, b.Password = "baker", "salt" })
	dir := newHouse(t)
	configure(t, dir, fmt.Sprintf("channels:\n  - {name: home, kind: mqtt, url: \"%s\", user: baker, password: salt}\n", b.URL()))
	d := startDaemon(t, dir)
	b.Retain("house/kitchen", `{"temperature": 21.4, "battery": 3}`)
	tap := regexp.MustCompile(`name="(vessels\[0\]\.air)" value="([^"]*)"><button>Take it for the air round tub`)
	var found []string
	require.Eventually(t, func() bool { found = tap.FindStringSubmatch(d.browse()); return found != nil }, patience, 100*time.Millisecond)
	page := d.browse()
	assert.Contains(t, page, "house/kitchen temperature")
	assert.Contains(t, page, "21.4")
	assert.NotContains(t, page, "battery")
	form := formsOf(page)[0]
	status, body := d.send(sheetForm{"version": form["version"], found[1]: html.UnescapeString(found[2])})
	require.Equal(t, http.StatusOK, status, body)
	text, err := os.ReadFile(filepath.Join(dir, "t.yaml"))
	require.NoError(t, err)
	assert.Contains(t, string(text), "    air: {kind: mqtt, broker: \""+b.URL()+"\", topic: house/kitchen, field: temperature}\n")
	require.Eventually(t, func() bool { return strings.Count(d.out.String(), "page at http") == 2 }, patience, 20*time.Millisecond)
	at := regexp.MustCompile(`page at (http://\S+)`).FindAllStringSubmatch(d.out.String(), -1)[1][1]
	require.Eventually(t, func() bool {
		b.Publish("house/kitchen", `{"temperature": 21.7}`)
		res, err := http.Get(at + "/api/v1/vessels/tub")
		if err != nil {
			return false
		}
		defer func() { _ = res.Body.Close() }()
		said, err := io.ReadAll(res.Body)
		return err == nil && strings.Contains(string(said), `"air_c":21.7`)
	}, patience, 100*time.Millisecond)
	require.NoError(t, d.end(syscall.SIGTERM, endsWithin))
}
