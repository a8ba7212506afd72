package page

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/web"
	"tidemark/web/access"
)

// file is a Setup that keeps what it is told.
type file struct {
	sheet web.Sheet
	saved []web.Setting
	err   error
	calls int
	buses web.Buses
}

func (f *file) Sheet() (web.Sheet, error) { return f.sheet, nil }

func (f *file) Save(_ context.Context, version string, values []web.Setting) (string, bool, error) {
	f.calls++
	if version != f.sheet.Version {
		return "", false, web.Refusal{Why: "The settings were changed meanwhile."}
	}
	f.saved = values
	return "Saved.", false, f.err
}

func (f *file) Undo(context.Context, string) (string, bool, error) {
	f.calls++
	return "Undone.", false, f.err
}

func (f *file) Find(context.Context) []web.Found {
	return []web.Found{{Bus: "I2C chips", Trouble: "switch I2C on"}, {Bus: "b", What: "a chip", Value: "243.0 mm", Role: "height", Quantity: "distance", Flow: "{kind: iio}"}}
}

func (f *file) Test(context.Context, string) (string, error) { f.calls++; return "Sent.", f.err }
func (f *file) Restart()                                     { f.calls++ }
func (f *file) Buses() web.Buses                             { return f.buses }
func (f *file) SwitchBusesOn() error                         { f.calls++; f.buses = web.BusesAtRestart; return f.err }

// house is a server with settings, asked from another machine in the house.
func house(t *testing.T, window *access.Window) (*web.Server, *file) {
	t.Helper()
	f := &file{sheet: web.Sheet{Version: "v1", File: "/etc/tidemark/tidemark.yaml", Values: map[string]string{"household.clock": "12h"},
		Vessels: []web.SheetVessel{{Name: "jar"}}, Channels: []web.SheetChannel{{Name: "phone", Kind: "topic"}, {Name: "bell", Kind: "command", Fixed: true}},
		Addresses: []string{"http://192.0.2.9:8080"}, CanUndo: true}}
	s, _ := idle(t, func(o *web.Options) { o.Setup, o.Window = f, window })
	return s, f
}

// newVisitor is a browser in the house.
func newVisitor(t *testing.T, h http.Handler, from string) *browser {
	b := newBrowser(t, h)
	b.from, b.host = from+":5000", "192.0.2.9:8080"
	return b
}

// enter sets the first passphrase with a code.
func (b *browser) enter(code string) int {
	return b.post("/setup", url.Values{"code": {code}, "passphrase": {phrase}, "again": {phrase}}).Code
}

// The attack table: what somebody on the home network reaches who has no code.
func TestTheWindowOpensOneDoorOnly(t *testing.T) {
	t.Parallel()
	w := access.NewWindow("BCDFGHJK")
	s, f := house(t, w)
	stranger := newVisitor(t, s, "198.51.100.7")
	stranger.get("/setup")
	for _, path := range []string{"/", "/settings", "/settings/sensors", "/settings/address.svg", "/house", "/rises", "/plan", "/unlock", "/healthz", "/metrics", "/events",
		"/api/v1/vessels", "/api/v1/openapi.json", "/api/v1/backup", "/vessels/jar/level", "/manifest.webmanifest", "/setup/", "/setup/../settings", "/static/../settings", "//settings", "/%2e/settings"} {
		got := stranger.get(path)
		assert.Contains(t, []int{http.StatusSeeOther, http.StatusTemporaryRedirect, http.StatusForbidden, http.StatusNotFound}, got.Code, path)
		assert.NotContains(t, got.Body.String(), "jar", path)
	}
	for _, path := range []string{"/settings", "/settings/undo", "/settings/test", "/settings/buses", "/settings/passphrase", "/act", "/tokens", "/unlock", "/lock", "/answer/ack/x", "/house/restores"} {
		got := stranger.post(path, url.Values{"version": {"v1"}, "passphrase": {phrase}, "again": {phrase}})
		assert.Equal(t, http.StatusForbidden, got.Code, path)
	}
	assert.Zero(t, f.calls, "nothing was changed")
	assert.Equal(t, http.StatusOK, stranger.get("/static/tidemark.css").Code)
	assert.True(t, w.Open())
}

func TestCodesCannotBeGuessed(t *testing.T) {
	t.Parallel()
	w := access.NewWindow("BCDFGHJK")
	s, _ := house(t, w)
	refused := 0
	for i := range 60 { // from many addresses
		b := newVisitor(t, s, fmt.Sprintf("198.51.100.%d", i))
		if b.enter("BBBB-BBBB") == http.StatusTooManyRequests {
			refused++
		}
	}
	assert.GreaterOrEqual(t, refused, 60-21, "20 at once, then one in three seconds, whoever asks")
	one := newVisitor(t, s, "203.0.113.1")
	assert.Equal(t, http.StatusTooManyRequests, one.enter("BCDF-GHJK"), "even the right one waits then")

	w = access.NewWindow("BCDFGHJK")
	s, _ = house(t, w)
	b := newVisitor(t, s, "198.51.100.7")
	for range 5 {
		assert.Equal(t, http.StatusForbidden, b.enter("BCDF-GHJ"))
	}
	assert.Equal(t, http.StatusTooManyRequests, b.enter("BCDF-GHJK"))
}

func TestSettingsPage(t *testing.T) {
	t.Parallel()
	s, f := house(t, nil)
	here := newVisitor(t, s, "127.0.0.1")
	page := here.get("/settings").Body.String()
	for _, want := range []string{"switch I2C on", "243.0", "Undo the last change", "Send a test: phone", "changed in the file only", `name="vessels[0].name"`, `value="12h" selected`} {
		assert.Contains(t, page, want)
	}
	got := here.post("/settings", url.Values{"version": {"v1"}, "household.clock": {" 24h "}, "listen": {":80"}})
	require.Equal(t, http.StatusSeeOther, got.Code)
	assert.Equal(t, []web.Setting{{Path: "household.clock", Value: "24h"}}, f.saved)
	assert.Equal(t, http.StatusConflict, here.post("/settings", url.Values{"version": {"v0"}, "household.clock": {"24h"}}).Code)

	f.err = web.FieldErrors{"household.clock": `"13h" is not known`, "household": "both hours are needed", "vessels[7].x": "elsewhere"}
	page = here.post("/settings", url.Values{"version": {"v1"}, "form": {"household"}, "household.clock": {"13h"}, "household.time_zone": {"<b>Mars"}}).Body.String()
	assert.Contains(t, page, "&#34;13h&#34; is not known")
	assert.Contains(t, page, "both hours are needed")
	assert.Contains(t, page, "vessels[7].x: elsewhere")
	assert.Contains(t, page, `value="&lt;b&gt;Mars"`, "what was typed is still there")
	f.err = nil

	page = here.post("/settings", url.Values{"version": {"v1"}, "channels[+].kind": {"topic"}, "channels[+].url": {"https://push.example.net/"}, "channels[+].topic": {"kitchen-x"}}).Body.String()
	assert.Contains(t, page, "<svg")
	assert.Equal(t, "image/svg+xml", here.get("/settings/address.svg").Header().Get("Content-Type"))
}

// TestBusesAreSwitchedOnWithConsent: one tap, and then the Pi is to be started anew.
func TestBusesAreSwitchedOnWithConsent(t *testing.T) {
	t.Parallel()
	s, f := house(t, nil)
	here := newVisitor(t, s, "127.0.0.1")
	assert.NotContains(t, here.get("/settings").Body.String(), "/settings/buses")
	here.post("/settings/buses", url.Values{})
	assert.Zero(t, f.calls, "they are on")
	f.buses = web.BusesOff
	assert.Contains(t, here.get("/settings").Body.String(), "dtoverlay=w1-gpio")
	assert.Contains(t, here.post("/settings/buses", url.Values{}).Body.String(), "data-await")
	assert.Equal(t, 1, f.calls)
	assert.Contains(t, here.get("/settings").Body.String(), "Start the Pi anew")
}
