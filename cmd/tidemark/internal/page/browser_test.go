package page

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
	"tidemark/web"
)

// screens are the sizes and colour schemes every screen is looked at in.
func screens() []screen {
	return []screen{{360, 740, "light"}, {360, 740, "dark"}, {1280, 800, "light"}, {1280, 800, "dark"}}
}

type screen struct {
	w, h   int64
	scheme string
}

func (s screen) String() string { return fmt.Sprintf("%dx%d-%s", s.w, s.h, s.scheme) }

// chrome starts one headless browser for a test, or skips.
func chrome(t *testing.T) context.Context {
	t.Helper()
	path := outsidetest.Program(t, "chromium", "chromium", "chromium-browser", "google-chrome")
	if testing.Short() {
		t.Skip("browser tests are left out with -short")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:len(chromedp.DefaultExecAllocatorOptions):len(chromedp.DefaultExecAllocatorOptions)],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("hide-scrollbars", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(func() { _ = chromedp.Cancel(ctx); cancel() })
	require.NoError(t, chromedp.Do(ctx))
	return ctx
}

// tab is one open page with what its console said.
type tab struct {
	t   *testing.T
	ctx context.Context
	mu  sync.Mutex
	bad []string
}

// open opens a tab of the given screen; its console must stay clean.
func open(t *testing.T, browser context.Context, s screen) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 180*time.Second)
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx}
	require.NoError(t, chromedp.Listen(ctx, b.listen))
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: s.scheme}}})
	require.NoError(t, err)
	b.run(chromedp.EmulateViewport(s.w, s.h))
	t.Cleanup(func() {
		b.forgive("ERR_INCOMPLETE_CHUNKED_ENCODING") // how Chromium calls an event stream that the server ended
		b.forgive("icon from the Manifest")          // a page left while it loads its icon
		assert.Empty(t, b.complaints(), "the console is not clean")
	})
	return b
}

// listen keeps what the console complains about.
func (b *tab) listen(ev any) {
	bad := ""
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		bad = e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			bad += " " + x.Description
		}
	case *runtime.EventConsoleAPICalled:
		if typ := string(e.Type); typ == "error" || typ == "warning" || typ == "assert" {
			bad = typ + " on the console"
		}
	case *log.EventEntryAdded:
		if level := string(e.Entry.Level); level == "error" || level == "warning" {
			bad = e.Entry.Text + " " + e.Entry.URL
		}
	}
	if bad == "" {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.bad = append(b.bad, bad)
}

func (b *tab) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.bad...)
}

// forgive forgets the complaints that hold a text.
func (b *tab) forgive(part string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.bad = slices.DeleteFunc(b.bad, func(c string) bool { return strings.Contains(c, part) })
}

func (b *tab) run(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, actions...))
}

// js is what a script gives.
func js[T any](b *tab, script string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](script))
	require.NoError(b.t, err, script)
	return v
}

// wait waits until a script gives true, over a change of page too.
func (b *tab) wait(script string, what ...any) {
	b.t.Helper()
	for end := time.Now().Add(20 * time.Second); ; {
		ok, err := chromedp.Run(b.ctx, chromedp.Poll[bool](script, chromedp.WithPollingTimeout(3*time.Second)))
		if ok && err == nil {
			return
		}
		require.True(b.t, time.Now().Before(end), append([]any{fmt.Sprintf("%s: %v", script, err)}, what...)...)
	}
}

// waitText waits until an element shows a text.
func (b *tab) waitText(sel, want string) {
	b.t.Helper()
	b.wait(fmt.Sprintf("(document.querySelector(%q)?.innerText || '').replaceAll('\u00a0', ' ').includes(%q)", sel, want), b.ctx.Err())
}

// click presses an element, which must be in sight once scrolled to. The page
// may put a new one in its place while it is looked for: then it looks again.
func (b *tab) click(sel string) {
	b.t.Helper()
	var err error
	for range 5 {
		err = chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(sel), chromedp.NodeVisible))
		if err == nil || !strings.Contains(err.Error(), "Could not find node") {
			break
		}
	}
	require.NoError(b.t, err)
}

// shot keeps a picture of the whole page when TIDEMARK_SHOTS names a folder.
func (b *tab) shot(name string) {
	b.t.Helper()
	dir := os.Getenv("TIDEMARK_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	require.NoError(b.t, err)
	require.NoError(b.t, os.MkdirAll(dir, 0o755))
	require.NoError(b.t, os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644))
}

// serve runs a handler on a free port of this machine.
func serve(t *testing.T, h http.Handler) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	srv := web.NewHTTPServer(h, nil)
	done := make(chan struct{})
	go func() { defer close(done); _ = srv.Serve(l) }()
	t.Cleanup(func() { _ = srv.Close(); <-done })
	return "http://" + l.Addr().String()
}

// TestBrowserSlowPhone: a phone with a quarter of this machine's pace paints the page
// of a vessel soon, and letters of twice the size run off no screen.
func TestBrowserSlowPhone(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	s, _ := newServer(t, nil)
	sc := screen{360, 740, "light"}
	b := open(t, browser, sc)
	base := serve(t, s)
	slow := func(rate float64) {
		_, err := chromedp.Call(b.ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: rate})
		require.NoError(t, err)
	}
	slow(4)
	b.run(chromedp.Navigate(base + "/?vessel=tub"))
	b.waitText("main", "Doubled about")
	b.wait("performance.getEntriesByName('first-contentful-paint').length > 0", "it was painted")
	paint := js[float64](b, "performance.getEntriesByName('first-contentful-paint')[0].startTime")
	t.Logf("first paint after %.0f ms, %d bytes at %d requests", paint,
		js[int64](b, "performance.getEntriesByType('navigation').concat(performance.getEntriesByType('resource')).reduce((n, e) => n + e.transferSize, 0)"),
		js[int64](b, "performance.getEntriesByType('resource').length + 1"))
	assert.Less(t, paint, 5000.0, "a machine under load may take some of that")
	slow(1)
	for _, path := range []string{"/?vessel=tub", "/plan", "/rises", "/house", "/kitchen", "/setup", "/nowhere"} {
		b.run(chromedp.Navigate(base + path))
		b.wait("document.readyState === 'complete'")
		b.run(chromedp.Evaluate[chromedp.Void]("document.documentElement.style.fontSize = '200%'; undefined"))
		b.shot("twice-" + strings.Trim(strings.NewReplacer("/", "", "?", "").Replace(path), " "))
		b.fitsWidth(sc.w, path+" at twice the size")
	}
	b.forgive("404")
}
