package page

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

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

// visitor is a browser in the house.
type visitor struct{ *browser }

func newVisitor(t *testing.T, h http.Handler, from string) visitor {
	b := newBrowser(t, h)
	b.from, b.host = from+":5000", "192.0.2.9:8080"
	return visitor{b}
}

// ask gets a page, or sends it a form.
func (b visitor) ask(method, path string, form url.Values) *httptest.ResponseRecorder {
	if method == "POST" {
		return b.post(path, form)
	}
	return b.get(path)
}

func (b visitor) enter(code, phrase string) *httptest.ResponseRecorder {
	b.t.Helper()
	b.ask("GET", "/setup", nil)
	return b.ask("POST", "/setup", url.Values{"code": {code}, "passphrase": {phrase}, "again": {phrase}})
}

// The attack table: what somebody on the home network reaches who has no code.
func TestTheWindowOpensOneDoorOnly(t *testing.T) {
	t.Parallel()
	w := access.NewWindow("BCDFGHJK")
	s, f := house(t, w)
	stranger := newVisitor(t, s, "198.51.100.7")
	stranger.ask("GET", "/setup", nil)
	for _, path := range []string{"/", "/settings", "/settings/sensors", "/settings/address.svg", "/house", "/rises", "/plan", "/unlock", "/healthz", "/metrics", "/events",
		"/api/v1/vessels", "/api/v1/openapi.json", "/api/v1/backup", "/vessels/jar/level", "/manifest.webmanifest", "/setup/", "/setup/../settings", "/static/../settings", "//settings", "/%2e/settings"} {
		got := stranger.ask("GET", path, nil)
		assert.Contains(t, []int{http.StatusSeeOther, http.StatusTemporaryRedirect, http.StatusForbidden, http.StatusNotFound}, got.Code, path)
		if to := got.Header().Get("Location"); to != "" {
			assert.NotEqual(t, 200, got.Code, path)
		}
		assert.NotContains(t, got.Body.String(), "jar", path)
	}
	for _, path := range []string{"/settings", "/settings/undo", "/settings/test", "/settings/buses", "/settings/passphrase", "/act", "/tokens", "/unlock", "/lock", "/answer/ack/x", "/house/restores"} {
		got := stranger.ask("POST", path, url.Values{"version": {"v1"}, "passphrase": {phrase}, "again": {phrase}})
		assert.Equal(t, http.StatusForbidden, got.Code, path)
	}
	assert.Zero(t, f.calls, "nothing was changed")
	assert.Equal(t, http.StatusOK, stranger.ask("GET", "/static/tidemark.css", nil).Code)

	// A proxy on the machine does not make a stranger one of the house.
	r := httptest.NewRequest("GET", "http://kitchen.local/settings", nil)
	r.RemoteAddr = "127.0.0.1:5000"
	r.Header.Set("X-Forwarded-For", "198.51.100.7")
	got := httptest.NewRecorder()
	s.ServeHTTP(got, r)
	assert.Equal(t, http.StatusForbidden, got.Code)

	// From another site's page not even the right code counts.
	r = httptest.NewRequest("POST", "http://192.0.2.9:8080/setup", strings.NewReader(url.Values{"code": {"BCDF-GHJK"}, "passphrase": {phrase}, "again": {phrase}}.Encode()))
	r.RemoteAddr = "198.51.100.8:5000"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://evil.example")
	got = httptest.NewRecorder()
	s.ServeHTTP(got, r)
	assert.Equal(t, http.StatusForbidden, got.Code)
	assert.True(t, w.Open())
}

func TestCodesCannotBeGuessed(t *testing.T) {
	t.Parallel()
	w := access.NewWindow("BCDFGHJK")
	s, _ := house(t, w)
	refused := 0
	for i := range 60 { // from many addresses
		b := newVisitor(t, s, fmt.Sprintf("198.51.100.%d", i))
		if b.enter("BBBB-BBBB", phrase).Code == http.StatusTooManyRequests {
			refused++
		}
	}
	assert.GreaterOrEqual(t, refused, 60-21, "20 at once, then one in three seconds, whoever asks")
	one := newVisitor(t, s, "203.0.113.1")
	assert.Equal(t, http.StatusTooManyRequests, one.enter("BCDF-GHJK", phrase).Code, "even the right one waits then")

	w = access.NewWindow("BCDFGHJK")
	s, _ = house(t, w)
	b := newVisitor(t, s, "198.51.100.7")
	for range 5 {
		assert.Equal(t, http.StatusForbidden, b.enter("BCDF-GHJ", phrase).Code)
	}
	assert.Equal(t, http.StatusTooManyRequests, b.enter("BCDF-GHJK", phrase).Code)
}

func TestTheCodeLetsOneIn(t *testing.T) {
	t.Parallel()
	w := access.NewWindow("BCDFGHJK")
	s, _ := house(t, w)
	first, second := newVisitor(t, s, "198.51.100.7"), newVisitor(t, s, "198.51.100.8")
	second.ask("GET", "/setup", nil)
	assert.Equal(t, http.StatusConflict, first.enter("bcdf ghjk", "short").Code, "a passphrase that is too short leaves the window open")
	assert.True(t, w.Open())
	got := first.enter("bcdf ghjk", phrase)
	require.Equal(t, http.StatusSeeOther, got.Code, got.Body)
	assert.Equal(t, http.StatusOK, first.ask("GET", "/settings", nil).Code)
	assert.False(t, w.Open())
	got = second.ask("POST", "/setup", url.Values{"code": {"BCDF-GHJK"}, "passphrase": {"another phrase"}, "again": {"another phrase"}})
	assert.Equal(t, http.StatusConflict, got.Code)
	assert.Equal(t, http.StatusSeeOther, second.ask("GET", "/settings", nil).Code, "to unlock")
	assert.Contains(t, second.ask("GET", "/settings", nil).Header().Get("Location"), "/unlock")
}

func TestNoneGetsInAfterTheWindow(t *testing.T) {
	t.Parallel()
	w := access.NewWindow("BCDFGHJK")
	s, _ := house(t, w)
	b := newVisitor(t, s, "198.51.100.7")
	b.ask("GET", "/setup", nil)
	w.Close()
	for _, path := range []string{"/", "/setup", "/settings", "/static/tidemark.css", "/healthz"} {
		assert.Equal(t, http.StatusForbidden, b.ask("GET", path, nil).Code, path)
	}
	assert.Equal(t, http.StatusForbidden, b.ask("POST", "/setup", url.Values{"code": {"BCDF-GHJK"}, "passphrase": {phrase}, "again": {phrase}}).Code)
	here := newVisitor(t, s, "127.0.0.1")
	assert.Equal(t, http.StatusOK, here.ask("GET", "/settings", nil).Code, "this machine itself goes on")
}

func TestSettingsPage(t *testing.T) {
	t.Parallel()
	s, f := house(t, nil)
	here := newVisitor(t, s, "127.0.0.1")
	page := here.ask("GET", "/settings", nil).Body.String()
	for _, want := range []string{"switch I2C on", "243.0", "Undo the last change", "Send a test: phone", "changed in the file only", `name="vessels[0].name"`, `value="12h" selected`} {
		assert.Contains(t, page, want)
	}
	got := here.ask("POST", "/settings", url.Values{"version": {"v1"}, "household.clock": {" 24h "}, "listen": {":80"}})
	require.Equal(t, http.StatusSeeOther, got.Code)
	assert.Equal(t, []web.Setting{{Path: "household.clock", Value: "24h"}}, f.saved)
	assert.Equal(t, http.StatusConflict, here.ask("POST", "/settings", url.Values{"version": {"v0"}, "household.clock": {"24h"}}).Code)

	f.err = web.FieldErrors{"household.clock": `"13h" is not known`, "household": "both hours are needed", "vessels[7].x": "elsewhere"}
	page = here.ask("POST", "/settings", url.Values{"version": {"v1"}, "form": {"household"}, "household.clock": {"13h"}, "household.time_zone": {"<b>Mars"}}).Body.String()
	assert.Contains(t, page, "&#34;13h&#34; is not known")
	assert.Contains(t, page, "both hours are needed")
	assert.Contains(t, page, "vessels[7].x: elsewhere")
	assert.Contains(t, page, `value="&lt;b&gt;Mars"`, "what was typed is still there")
	f.err = nil

	page = here.ask("POST", "/settings", url.Values{"version": {"v1"}, "channels[+].kind": {"topic"}, "channels[+].url": {"https://push.example.net/"}, "channels[+].topic": {"kitchen-x"}}).Body.String()
	assert.Contains(t, page, "<svg")
	assert.Equal(t, "image/svg+xml", here.ask("GET", "/settings/address.svg", nil).Header().Get("Content-Type"))
}

// TestBusesAreSwitchedOnWithConsent: one tap, and then the Pi is to be started anew.
func TestBusesAreSwitchedOnWithConsent(t *testing.T) {
	t.Parallel()
	s, f := house(t, nil)
	here := newVisitor(t, s, "127.0.0.1")
	assert.NotContains(t, here.ask("GET", "/settings", nil).Body.String(), "/settings/buses")
	here.ask("POST", "/settings/buses", url.Values{})
	assert.Zero(t, f.calls, "they are on")
	f.buses = web.BusesOff
	assert.Contains(t, here.ask("GET", "/settings", nil).Body.String(), "dtoverlay=w1-gpio")
	assert.Contains(t, here.ask("POST", "/settings/buses", url.Values{}).Body.String(), "data-await")
	assert.Equal(t, 1, f.calls)
	assert.Contains(t, here.ask("GET", "/settings", nil).Body.String(), "Start the Pi anew")
}

func TestSettingsAreNotForPrograms(t *testing.T) {
	t.Parallel()
	settings := access.NewMemory()
	require.NoError(t, access.SetPassphrase(t.Context(), settings, phrase))
	k, err := access.NewControl(t.Context(), settings, time.Now)
	require.NoError(t, err)
	token, err := k.NewToken(t.Context(), "robot", []access.Scope{access.Read, access.Change})
	require.NoError(t, err)
	s, _ := idle(t, func(o *web.Options) { o.Setup, o.Settings = &file{}, settings })
	r := httptest.NewRequest("GET", "http://192.0.2.9:8080/settings", nil)
	r.Header.Set("Authorization", "Bearer "+token)
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	assert.Equal(t, http.StatusForbidden, w.Code)
	assert.Contains(t, w.Body.String(), "not for programs")
}

func TestChangingThePassphraseNeedsTheOldOne(t *testing.T) {
	t.Parallel()
	w := access.NewWindow("BCDFGHJK")
	s, _ := house(t, w)
	b := newVisitor(t, s, "198.51.100.7")
	b.enter("BCDFGHJK", phrase)
	b.ask("GET", "/settings", nil)
	got := b.ask("POST", "/settings/passphrase", url.Values{"old": {"wrong one here"}, "passphrase": {"rye water salt"}, "again": {"rye water salt"}})
	assert.Equal(t, http.StatusConflict, got.Code)
	assert.Contains(t, got.Body.String(), "That is not the household passphrase")
	got = b.ask("POST", "/settings/passphrase", url.Values{"old": {phrase}, "passphrase": {"rye water salt"}, "again": {"rye water salt"}})
	assert.Equal(t, http.StatusSeeOther, got.Code)
	assert.Equal(t, http.StatusOK, b.ask("GET", "/settings", nil).Code, "this browser stays in")
}
