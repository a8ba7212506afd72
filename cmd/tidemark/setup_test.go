package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
)

var screensDir = flag.String("screens", "", "folder for pictures of the walk from a fresh service to a message")

// freshHouse is a machine with a probe and a distance sensor and nothing set up.
func freshHouse(t *testing.T) string {
	t.Helper()
	dir := newHouse(t)
	text := fmt.Sprintf("# Ours.\nstate_dir: %[1]s/state\nsysfs: %[1]s/sys\nsample_every: 1s\nweb: {listen: \":0\"}   # the house\n# vessels: none yet\n", dir)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "t.yaml"), []byte(text), 0o600))
	return dir
}

// lanAddress is an address of this machine that is not loopback, or the test is left out.
func lanAddress(t *testing.T) string {
	t.Helper()
	addrs, err := net.InterfaceAddrs()
	require.NoError(t, err)
	for _, a := range addrs {
		if ip, ok := a.(*net.IPNet); ok && ip.IP.To4() != nil && ip.IP.IsGlobalUnicast() {
			return ip.IP.String()
		}
	}
	t.Skip("this machine has no address on a network")
	return ""
}

// code is what the service prints for setting up.
func (d *daemon) code() string {
	return regexp.MustCompile(`the code ([A-Z0-9]{4}-[A-Z0-9]{4})`).FindStringSubmatch(d.out.String())[1]
}

// TestFromAFreshServiceToAMessage is the whole walk in a browser on another address.
func TestFromAFreshServiceToAMessage(t *testing.T) {
	t.Parallel()
	program := outsidetest.Program(t, "chromium", "chromium", "chromium-browser", "google-chrome")
	if testing.Short() {
		t.Skip("browser tests are left out with -short")
	}
	ip := lanAddress(t)
	dir := freshHouse(t)
	text, err := os.ReadFile(filepath.Join(dir, "t.yaml"))
	require.NoError(t, err)
	l, err := net.Listen("tcp", ":0")
	require.NoError(t, err)
	port := l.Addr().(*net.TCPAddr).Port
	require.NoError(t, l.Close())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "t.yaml"), bytes.Replace(text, []byte(`":0"`), fmt.Appendf(nil, `":%d"`, port), 1), 0o600))
	d := startDaemon(t, dir)
	walkToAMessage(t, newWalker(t, program), fmt.Sprintf("http://%s:%d", ip, port), d.code(), "127.0.0.1")

	file, err := os.ReadFile(filepath.Join(dir, "t.yaml"))
	require.NoError(t, err)
	for _, want := range []string{"# Ours.\n", "   # the house\n", "# vessels: none yet\n", "  - name: jar\n", "height: {kind: iio, ", "profile: {shape: straight, diameter_mm: 95, height_mm: 150}"} {
		assert.Contains(t, string(file), want)
	}
	assert.NotContains(t, d.out.String(), "flour water salt")
}

// TestSetUpOnAMachine is the same walk on a machine that was started elsewhere, fresh
// from the package: deploy/boot/run.sh ... walk starts one and runs this. The machine
// reaches this one at 10.0.2.2.
func TestSetUpOnAMachine(t *testing.T) {
	t.Parallel()
	base, code := os.Getenv("TIDEMARK_MACHINE"), os.Getenv("TIDEMARK_CODE")
	if base == "" {
		t.Skip("no machine: TIDEMARK_MACHINE is empty")
	}
	program := outsidetest.Program(t, "chromium", "chromium", "chromium-browser", "google-chrome")
	w := newWalker(t, program)
	w.patience = 5 * patience // an emulated core is slow
	walkToAMessage(t, w, base, code, "10.0.2.2")
}

// walkToAMessage goes from the code to an answered test message: passphrase, sensors, a
// vessel, a way for messages. here is how the service reaches this machine.
func walkToAMessage(t *testing.T, w *walker, base, code, here string) {
	t.Helper()
	got := make(chan map[string]any, 9)
	topics := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m map[string]any
		if json.NewDecoder(r.Body).Decode(&m) == nil {
			got <- m
		}
		fmt.Fprint(w, `{"id":"x"}`)
	}))
	defer topics.Close()
	const add = `form:has(input[name="vessels[+].name"])`
	const topic = `form:has(input[value="topic"])`
	const sends = `form[action="/settings/test"]`
	enter := func(code string) {
		w.fill(`main form`, "code", code)
		w.fill(`main form`, "passphrase", "flour water salt")
		w.fill(`main form`, "again", "flour water salt")
		w.send("main form")
	}
	w.goTo(base + "/")
	w.sees("code", "input[name=code]")
	enter("BBBB-BBBB")
	w.sees("wrong-code", "main [role=alert]")
	enter(code)
	w.sees("sensors-found", "[data-renew] li")
	w.fill(add, "vessels[+].name", "jar")
	w.fill(add, "vessels[+].profile.diameter_mm", "wide")
	w.fill(add, "vessels[+].profile.height_mm", "150")
	w.send(add)
	w.sees("vessel-with-a-mistake", add+" [role=alert]")
	w.fill(add, "vessels[+].profile.diameter_mm", "95")
	w.send(add)
	w.sees("vessel-added", "[data-await]")
	w.sees("vessel-watched", `a[href="/vessels/jar/level"]`)
	w.fill(topic, "channels[+].url", strings.Replace(topics.URL, "127.0.0.1", here, 1))
	w.do(fmt.Sprintf(`document.querySelector(%q).closest("details").open = true`, topic))
	w.fill(topic, "web.base_url", base)
	w.sees("topic-form", topic)
	before := runOf(base)
	w.send(topic)
	w.sees("topic-to-scan", ".scan svg")
	require.Eventually(t, func() bool { now := runOf(base); return now != "" && now != before }, w.patience, 50*time.Millisecond)
	w.goTo(base + "/settings")
	w.sees("messages", sends)
	w.send(sends)
	w.sees("test-sent", "#said:not(:empty)")
	var message map[string]any
	select {
	case message = <-got:
	case <-time.After(w.patience):
		t.Fatal("no test message came")
	}
	answer := regexp.MustCompile(`http[^"]*/answer/ack/[^"]*`).FindString(fmt.Sprintf("%q", message))
	require.NotEmpty(t, answer, "%v", message)
	res, err := http.Post(answer, "", nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, res.StatusCode)
	require.NoError(t, res.Body.Close())
	w.goTo(base + "/settings")
	w.sees("test-answered", sends)
	body, err := chromedp.Run(w.ctx, chromedp.Evaluate[string](`document.querySelector("main").innerText`))
	require.NoError(t, err)
	assert.Contains(t, body, "test answered at")
	w.goTo(base + "/")
	w.sees("now", "main")
}

// runOf names the run of a service; empty when it does not answer.
func runOf(base string) string {
	res, err := http.Get(base + "/healthz")
	if err != nil {
		return ""
	}
	_ = res.Body.Close() // the header is all that counts
	return res.Header.Get("Tidemark-Run")
}

// walker is a browser that goes through pages and keeps pictures of them.
type walker struct {
	t        *testing.T
	ctx      context.Context
	number   int
	patience time.Duration
}

func newWalker(t *testing.T, program string) *walker {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:len(chromedp.DefaultExecAllocatorOptions):len(chromedp.DefaultExecAllocatorOptions)],
		chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("hide-scrollbars", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(func() { _ = chromedp.Cancel(ctx); cancel() })
	ctx, cancel = context.WithTimeout(ctx, 10*time.Minute)
	t.Cleanup(cancel)
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(360, 740)))
	return &walker{t: t, ctx: ctx, patience: patience}
}

func (w *walker) goTo(url string) {
	w.t.Helper()
	require.NoError(w.t, chromedp.Do(w.ctx, chromedp.Navigate(url)))
}

// do runs a script that gives something.
func (w *walker) do(script string) {
	w.t.Helper()
	_, err := chromedp.Run(w.ctx, chromedp.Evaluate[bool](script+", true"))
	require.NoError(w.t, err, script)
}

func (w *walker) fill(form, name, value string) {
	w.t.Helper()
	w.do(fmt.Sprintf("document.querySelector(%q).elements[%q].value = %q", form, name, value))
}

// send presses the button of a form, as far as its own checks let it.
func (w *walker) send(form string) {
	w.t.Helper()
	w.do(fmt.Sprintf("document.querySelector(%q).querySelector('button').click()", form))
}

// sees waits for an element and keeps a picture of the screen with it.
func (w *walker) sees(name, sel string) {
	w.t.Helper()
	script := fmt.Sprintf("document.readyState === 'complete' && document.querySelector(%q) !== null", sel)
	there := assert.Eventually(w.t, func() bool {
		ok, err := chromedp.Run(w.ctx, chromedp.Evaluate[bool](script))
		return err == nil && ok
	}, w.patience, 100*time.Millisecond, "%s: there is no %s", name, sel)
	w.number++
	if *screensDir == "" {
		require.True(w.t, there)
		return
	}
	w.do(fmt.Sprintf("document.querySelector(%q).scrollIntoView({block: 'center'})", sel))
	png, err := chromedp.Run(w.ctx, chromedp.CaptureScreenshot())
	require.NoError(w.t, err)
	require.NoError(w.t, os.WriteFile(filepath.Join(*screensDir, fmt.Sprintf("%02d-%s.png", w.number, name)), png, 0o600))
	require.True(w.t, there)
}

// TestSavingBeginsTheWatchAnew: a change on the page that needs it restarts the watch
// within the process, and the service manager is not told that it stops.
func TestSavingBeginsTheWatchAnew(t *testing.T) {
	dir := freshHouse(t)
	text, err := os.ReadFile(filepath.Join(dir, "t.yaml"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "t.yaml"), bytes.Replace(text, []byte(`":0"`), []byte(`"127.0.0.1:0"`), 1), 0o600))
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(t.TempDir(), "n"), Net: "unixgram"})
	require.NoError(t, err)
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", manager.LocalAddr().String())
	d := startDaemon(t, dir)
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	browser := http.Client{Jar: jar}
	res, err := browser.Get(d.page() + "/settings")
	require.NoError(t, err)
	body, err := io.ReadAll(res.Body)
	require.NoError(t, errors.Join(err, res.Body.Close()))
	value := func(pattern string) string { return regexp.MustCompile(pattern).FindStringSubmatch(string(body))[1] }
	form := url.Values{"version": {value(`name="version" value="([^"]+)"`)}, "household.clock": {"12h"}}
	res, err = browser.PostForm(d.page()+"/settings", form)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, http.StatusOK, res.StatusCode)
	require.Eventually(t, func() bool { return strings.Count(d.out.String(), "page at http") == 2 }, patience, 20*time.Millisecond, "%s", &d.out)
	require.NoError(t, d.end(syscall.SIGTERM, endsWithin))
	var told []string
	for buf := make([]byte, 4096); !strings.Contains(strings.Join(told, "\n"), "STOPPING=1"); {
		require.NoError(t, manager.SetReadDeadline(time.Now().Add(patience)))
		n, err := manager.Read(buf)
		require.NoError(t, err, "%q", told)
		told = append(told, string(buf[:n]))
	}
	assert.Equal(t, 2, strings.Count(strings.Join(told, "\n"), "READY=1"), "%q", told)
}
